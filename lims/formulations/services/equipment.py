"""Equipment at the bench: in service and in calibration on the day it is used, or used by quality's word."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act, require
from lims.accounts.models import User
from lims.accounts.secrets import check_password
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.formulations.models import BenchEquipment


class EquipmentFacts(TypedDict, total=False):
    """What is known of a piece of equipment; `resolution` in kg."""

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
def add_equipment(*, actor: User, code: str, name: str, kind: str, **facts: Unpack[EquipmentFacts]) -> BenchEquipment:
    """Take a balance, a mixer or another piece of equipment into the list."""
    row = BenchEquipment(code=code.strip().upper(), name=name.strip(), kind=kind, **facts)
    if BenchEquipment.objects.filter(code=row.code).exists():
        raise Conflict(f"{row.code} is in the list already.", code="equipment-known")
    row.save()
    return row


@act("equipment.keep")
def note_calibration(row: BenchEquipment, *, actor: User, due: date, certificate: str) -> BenchEquipment:
    """Note a calibration: until when it holds, and its certificate."""
    fresh = locked(row)
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
    if not row.in_service:
        return f"{row.code} is out of service: {row.state_reason}."
    if row.needs_calibration and row.calibration_due is None:
        return f"{row.code} has no calibration."
    if row.needs_calibration and row.calibration_due and row.calibration_due < timezone.localdate():
        return f"{row.code} is out of calibration: it was due on {row.calibration_due:%Y-%m-%d}."
    return ""


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
