"""Equipment at the bench: in service and in calibration on the day it is used, or used by quality's word."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act, require
from lims.accounts.models import User
from lims.accounts.secrets import check_password
from lims.core.codes import expect_kind, next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.files.models import StoredFile
from lims.formulations.models import BenchCalibration, BenchEquipment
from lims.formulations.selectors import why_not_fit

# the kind of code that each kind of equipment carries
CODE_KINDS = {"balance": "balance", "mixer": "mixer", "other": "equipment"}


class EquipmentFacts(TypedDict, total=False):
    """What is known of a piece of equipment; `resolution` in kg."""

    maker: str
    type: str
    serial: str
    location: str
    resolution: Decimal | None
    needs_calibration: bool
    calibration_due: date | None
    certificate: str


class Override(TypedDict, total=False):
    """Quality's word for equipment that may not be used: who, why, with their own password."""

    override_by: User | None
    override_password: str
    override_reason: str


@act("equipment.keep")
def add_equipment(
    *, actor: User, name: str, kind: str, code: str = "", **facts: Unpack[EquipmentFacts]
) -> BenchEquipment:
    """Take a balance, a mixer or another piece of equipment in; its code is the next one, unless its label has one."""
    if kind not in CODE_KINDS:
        raise Invalid(f"There is no kind '{kind}'.", fields={"kind": [f"One of {', '.join(CODE_KINDS)} is expected."]})
    own = expect_kind(code, CODE_KINDS[kind]) if code.strip() else _next(CODE_KINDS[kind])
    if BenchEquipment.objects.filter(code=own).exists():
        raise Conflict(f"{own} is in the list already.", code="equipment-known", fields={"code": ["Taken."]})
    row = BenchEquipment(code=own, name=name.strip(), kind=kind, **facts)
    row.save()
    return row


def _next(kind: str) -> str:
    """The next code that no label carries yet."""
    code = next_code(kind)
    while BenchEquipment.objects.filter(code=code).exists():
        code = next_code(kind)
    return code


class CalibrationFacts(TypedDict, total=False):
    """When it was made (today unless said), the certificate's file, what was found and left."""

    performed_on: date | None
    file: StoredFile | None
    found: str


@act("equipment.keep")
def note_calibration(
    row: BenchEquipment, *, actor: User, due: date, certificate: str, **facts: Unpack[CalibrationFacts]
) -> BenchEquipment:
    """Note a calibration: when it was made, until when it holds, its certificate. Those before it stay on record."""
    made = facts.get("performed_on") or timezone.localdate()
    problems = {}
    if made > timezone.localdate():
        problems["performed_on"] = ["A day that has come is expected."]
    if due <= made:
        problems["due"] = [f"A day after {made:%Y-%m-%d} is expected."]
    if not certificate.strip():
        problems["certificate"] = ["The number of the certificate is expected."]
    if problems:
        raise Invalid("The calibration is not complete.", fields=problems)
    fresh = locked(row)
    kept = BenchCalibration(
        equipment=fresh,
        performed_on=made,
        due=due,
        certificate=certificate.strip(),
        file=facts.get("file"),
        found=facts.get("found", "").strip(),
        by=actor,
    )
    kept.full_clean()
    kept.save()
    fresh.calibration_due, fresh.certificate = due, certificate.strip()
    fresh.save()
    return fresh


@act("equipment.keep")
def set_service(row: BenchEquipment, *, actor: User, in_service: bool, reason: str) -> BenchEquipment:
    """Take equipment out of service, or back; with a reason."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A reason is needed."]})
    fresh = locked(row)
    fresh.in_service, fresh.state_reason = in_service, reason.strip()
    fresh.save()
    return fresh


def why_not_used(code: str, *, kind: str) -> str:
    """Why equipment may not be used today, in a sentence; "" where it may. A laboratory without a list has no rule."""
    row = BenchEquipment.objects.filter(code=code.strip().upper()).first()
    if row is None:
        known = BenchEquipment.objects.filter(kind=kind).exists()
        return f"{code.strip()} is not in the list of equipment." if known else ""
    return why_not_fit(row)


def require_equipment(code: str, *, kind: str, override: Override, field: str = "balance") -> tuple[User | None, str]:
    """Refuse equipment that may not be used today, unless quality says so; who overrode and why."""
    why = why_not_used(code, kind=kind) if code.strip() else ""
    if not why:
        return None, ""
    by, reason = override.get("override_by"), override.get("override_reason", "").strip()
    if by is None or not reason:
        raise Conflict(
            why,
            code="equipment-not-fit",
            next_step="Take other equipment, or ask quality to allow it with a reason.",
            fields={field: [why]},
        )
    require(by, "equipment.override")
    check_password(by, override.get("override_password", ""))
    return by, reason
