"""A second factor: proved before it counts, asked for at the door and at each signature; wrong ones rest signing."""

import pytest
from django.test import Client
from django.utils import timezone
from django_otp.oath import totp
from django_otp.plugins.otp_totp.models import TOTPDevice

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.accounts.roles import Role
from lims.accounts.second_factor import end_second_factor, prepare, reset_second_factor, secret_text, set_second_factor
from lims.accounts.secrets import check_secrets, resting, wrong_secrets
from lims.audit.models import Entry
from lims.core.context import giving_code
from lims.core.errors import Invalid, NotAllowed
from tests.factories import PASSWORD, person

pytestmark = pytest.mark.django_db


def code_of(user: User, *, step: int = 0) -> str:
    """The code a device would show now, or `step` half minutes later."""
    device = TOTPDevice.objects.get(user=user)
    return f"{totp(device.bin_key, drift=step):06d}"


def with_factor(role: Role) -> User:
    """Somebody with a second factor; the code of this moment is used up by proving it."""
    user = person(role)
    prepare(user)
    set_second_factor(actor=user, code=code_of(user, step=-1))
    return user


@act("history.seal")
def signed_act(*, actor: User, password: str) -> User:
    """Something that is signed."""
    check_secrets(actor, password)
    return actor


def test_the_codes_are_those_of_rfc_6238_appendix_b() -> None:
    # RFC 6238, appendix B, SHA-1 rows, cut to six digits (seed "12345678901234567890")
    seed = b"12345678901234567890"
    expected = {59: 287082, 1111111109: 81804, 1234567890: 5924, 2000000000: 279037}
    assert {at: totp(seed, t0=0, drift=at // 30 - int(timezone.now().timestamp()) // 30) for at in expected} == expected


def test_a_factor_counts_only_once_it_was_proved() -> None:
    user = person(Role.QUALITY)
    device = prepare(user)
    assert not User.objects.get(pk=user.pk).has_second_factor
    assert prepare(user).bin_key == device.bin_key  # the page looked at twice shows the same secret
    assert len(secret_text(device).replace(" ", "")) == 32
    with pytest.raises(Invalid, match="not right"):
        set_second_factor(actor=user, code="000000" if code_of(user) != "000000" else "000001")
    TOTPDevice.objects.update(throttling_failure_count=0, throttling_failure_timestamp=None)
    set_second_factor(actor=user, code=code_of(user))
    assert User.objects.get(pk=user.pk).has_second_factor


def test_a_signature_asks_for_the_code_once_a_factor_is_set() -> None:
    user = with_factor(Role.QUALITY)
    with pytest.raises(Invalid) as missing:
        signed_act(actor=user, password=PASSWORD)
    assert missing.value.code == "one-time-code"
    with giving_code(code_of(user)):
        assert signed_act(actor=user, password=PASSWORD) == user
        with pytest.raises(NotAllowed, match="used already"):
            signed_act(actor=user, password=PASSWORD)


def test_quality_without_a_factor_cannot_sign_where_the_laboratory_demands_one(settings) -> None:
    settings.SECOND_FACTOR_REQUIRED = True
    with pytest.raises(NotAllowed) as refused:
        signed_act(actor=person(Role.QUALITY), password=PASSWORD)
    assert refused.value.code == "second-factor-missing"


def test_five_wrong_secrets_rest_signing_also_for_the_right_one_and_quality_sees_it(client: Client, settings) -> None:
    user, quality = person(Role.ADMINISTRATOR), person(Role.QUALITY)
    for _ in range(settings.SIGNING_ATTEMPTS):
        with pytest.raises(NotAllowed, match="password"):
            signed_act(actor=user, password="not the one")
    with pytest.raises(NotAllowed) as rests:
        signed_act(actor=user, password=PASSWORD)
    assert rests.value.code == "signing-rests"
    assert resting() == [user]
    assert Entry.objects.filter(act="history.seal", refused=True).count() == settings.SIGNING_ATTEMPTS + 1
    client.force_login(quality)
    assert user.printed_name in client.get("/").content.decode()


def test_a_right_secret_clears_the_wrong_ones_before_it() -> None:
    user = person(Role.QUALITY)
    with pytest.raises(NotAllowed):
        signed_act(actor=user, password="not the one")
    signed_act(actor=user, password=PASSWORD)
    assert wrong_secrets(user) == 0


def test_signing_in_asks_for_the_code(client: Client) -> None:
    user = with_factor(Role.QUALITY)
    typed = {"username": user.username, "password": PASSWORD}
    refused = client.post("/sign-in/", typed)
    assert refused.status_code == 200
    assert "one-time code is needed" in refused.content.decode()
    assert client.post("/sign-in/", typed | {"one_time_code": code_of(user)}).status_code == 302


def test_a_person_sets_up_a_factor_on_their_page_and_ends_it_with_both_secrets(client: Client) -> None:
    user = person(Role.QUALITY)
    client.force_login(user)
    assert "svg" in client.get("/account/second-factor/").content.decode()
    assert client.post("/account/second-factor/", {"one_time_code": code_of(user)}).status_code == 302
    assert "One-time code" in client.get("/account/").content.decode()
    assert client.post("/account/second-factor/end/", {"password": PASSWORD}).status_code == 422
    ended = client.post("/account/second-factor/end/", {"password": PASSWORD, "one_time_code": code_of(user, step=1)})
    assert ended.status_code == 302
    assert not TOTPDevice.objects.exists()


def test_only_an_administrator_ends_the_factor_of_somebody_else_with_a_reason() -> None:
    user, administrator = with_factor(Role.QUALITY), person(Role.ADMINISTRATOR)
    with pytest.raises(NotAllowed):
        reset_second_factor(user, actor=person(Role.CHEMIST), reason="lost")
    with pytest.raises(Invalid, match="Say why"):
        reset_second_factor(user, actor=administrator, reason=" ")
    reset_second_factor(user, actor=administrator, reason="device lost, person known")
    assert not User.objects.get(pk=user.pk).has_second_factor


def test_a_person_without_a_factor_is_asked_for_none() -> None:
    user = person(Role.CHEMIST)
    check_secrets(user, PASSWORD)
    with pytest.raises(NotAllowed):
        end_second_factor(actor=user, password="not the one")
