"""The secrets a person gives anew for a signature: the password and, where one is set up, a one-time code."""

from __future__ import annotations

from django.conf import settings
from django.utils import timezone
from django_otp.plugins.otp_totp.models import TOTPDevice

from lims.accounts.models import User, WrongSecret
from lims.accounts.roles import NEED_SECOND_FACTOR
from lims.core.context import one_time_code
from lims.core.errors import Invalid, NotAllowed

CODE_FIELD = "one_time_code"


class WrongSecretGiven(NotAllowed):
    """A wrong secret for a signature; it counts against the person whose secret it should have been."""

    code = "wrong-secret"

    def __init__(self, person: User, message: str) -> None:
        super().__init__(message)
        self.person = person


def second_factor_of(person: User) -> TOTPDevice | None:
    """The person's second factor, once it was proved to work."""
    found: TOTPDevice | None = TOTPDevice.objects.filter(user=person, confirmed=True).first()
    return found


def lacks_second_factor(person: User) -> bool:
    """Whether this person must set up a second factor before signing."""
    needed = settings.SECOND_FACTOR_REQUIRED and bool(NEED_SECOND_FACTOR & person.roles)
    return needed and second_factor_of(person) is None


def check_secrets(person: User, password: str) -> None:
    """Refuse unless `password`, and the one-time code given beside it, are the person's own.

    After `SIGNING_ATTEMPTS` wrong ones signing rests for a while, whoever is at the keyboard.
    """
    _refuse_resting(person)
    _refuse_without_factor(person)
    check_password(person, password)
    check_code(person, one_time_code.get())
    WrongSecret.objects.filter(user=person, counts=True).update(counts=False)


def check_password(person: User, password: str) -> None:
    """Refuse unless this is the person's own password; an ended account knows none."""
    if not (person.is_active and password and person.check_password(password)):
        raise WrongSecretGiven(person, f"The password of {person.printed_name} is not right; nothing was signed.")


def check_code(person: User, code: str) -> None:
    """Refuse unless `code` is the person's one-time code of this moment; nothing is asked where none is set up."""
    device = second_factor_of(person)
    if device is None:
        return
    if not code:
        raise Invalid(
            "A one-time code is needed besides the password.",
            code="one-time-code",
            fields={CODE_FIELD: ["Type the code that your device shows now."]},
        )
    if not device.verify_token(code):
        raise WrongSecretGiven(person, "The one-time code is not right, or was used already. Wait for the next one.")


def note_wrong_secret(person: User) -> None:
    """Keep that a wrong secret was given for `person`."""
    WrongSecret.objects.create(user=person)


def wrong_secrets(person: User) -> int:
    """How many wrong secrets count against this person now."""
    since = timezone.now() - settings.AXES_COOLOFF_TIME
    return WrongSecret.objects.filter(user=person, counts=True, at__gte=since).count()


def resting() -> list[User]:
    """The people whose signing rests now."""
    since = timezone.now() - settings.AXES_COOLOFF_TIME
    found = User.objects.filter(wrong_secrets__counts=True, wrong_secrets__at__gte=since).distinct()
    return [each for each in found if wrong_secrets(each) >= settings.SIGNING_ATTEMPTS]


def _refuse_resting(person: User) -> None:
    if wrong_secrets(person) < settings.SIGNING_ATTEMPTS:
        return
    minutes = round(settings.AXES_COOLOFF_TIME.total_seconds() / 60)
    raise NotAllowed(
        f"Signing of {person.printed_name} rests: the secrets were wrong {settings.SIGNING_ATTEMPTS} times.",
        code="signing-rests",
        next_step=f"Wait {minutes} minutes. Quality and the administrators see this; if it was not you, tell them.",
    )


def _refuse_without_factor(person: User) -> None:
    if lacks_second_factor(person):
        raise NotAllowed(
            f"{person.printed_name} has no second factor, and these roles cannot sign without one.",
            code="second-factor-missing",
            next_step="Set one up on your account page.",
        )
