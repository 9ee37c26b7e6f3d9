"""Set up and end a second factor: one-time codes by time (RFC 6238), from any device that shows such codes."""

from __future__ import annotations

import base64
import io

import segno
from django.db import transaction
from django_otp.plugins.otp_totp.models import TOTPDevice

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.accounts.secrets import CODE_FIELD, check_secrets, second_factor_of
from lims.audit.recording import note_change
from lims.core.errors import Conflict, Invalid

NAME = "second factor"


@transaction.atomic
def prepare(person: User) -> TOTPDevice:
    """A device not yet proved: its secret is shown until the person proves to hold it."""
    if second_factor_of(person) is not None:
        raise Conflict("A second factor is set up already. End it first.", code="second-factor-set")
    device, _ = TOTPDevice.objects.get_or_create(user=person, confirmed=False, defaults={"name": NAME})
    return device


def secret_text(device: TOTPDevice) -> str:
    """The secret as people type it into a device: base 32 in groups of four (RFC 4648)."""
    text = base64.b32encode(device.bin_key).decode().rstrip("=")
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))


def symbol(device: TOTPDevice) -> str:
    """The secret as a QR symbol, SVG."""
    out = io.BytesIO()
    segno.make(device.config_url, error="m", micro=False).save(
        out, kind="svg", border=4, xmldecl=False, svgns=True, dark="#000", light="#fff", scale=4
    )
    return out.getvalue().decode()


@act("account.second_factor")
def set_second_factor(*, actor: User, code: str) -> User:
    """Take the prepared device as the second factor, once it showed a right code."""
    device = prepare(actor)
    if not device.verify_token(code.replace(" ", "")):
        raise Invalid(
            "The code is not right.",
            fields={CODE_FIELD: ["Type the six digits your device shows now; check that its clock is right."]},
        )
    device.confirmed = True
    device.save(update_fields=["confirmed"])
    note_change(actor, {"second factor": (None, "set up")})
    return actor


@act("account.second_factor")
def end_second_factor(*, actor: User, password: str) -> User:
    """End one's own second factor; both secrets are asked for."""
    check_secrets(actor, password)
    return _end(actor)


@act("account.reset_second_factor")
def reset_second_factor(person: User, *, actor: User, reason: str) -> User:
    """End the second factor of somebody who lost the device."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Why is it ended?"]})
    if person == actor:
        raise Conflict("Nobody resets their own second factor.", code="own-second-factor")
    return _end(person)


def _end(person: User) -> User:
    TOTPDevice.objects.filter(user=person).delete()
    note_change(person, {"second factor": ("set up", None)})
    return person
