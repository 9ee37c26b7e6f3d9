"""Safety data sheets, and what materials must not meet: records with their source, typed by people, never built in."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date
from typing import TypedDict, Unpack

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.files.models import StoredFile
from lims.materials.models import Incompatibility, Lot, Material, SafetySheet, Supplier
from lims.materials.services.materials import checked_hazards
from lims.materials.services.parts import need_a_reason, written

PICTOGRAM = re.compile(r"^GHS0\d$")


class SheetDetails(TypedDict, total=False):
    """What else a sheet says."""

    supplier: Supplier | None
    file: StoredFile | None
    issued_on: date | None
    signal: str
    pictograms: Iterable[str]
    lot: Lot | None


@act("material.add_sheet")
def add_safety_sheet(
    material: Material,
    *,
    actor: User,
    source: str,
    statements: Iterable[Mapping[str, str]],
    **details: Unpack[SheetDetails],
) -> SafetySheet:
    """Keep what a safety data sheet says of a material; lots to come have it, and `lot` where one is named."""
    lot = details.pop("lot", None)
    if not source.strip():
        raise Invalid("A sheet needs its source.", fields={"source": ["Who wrote it, its number and revision."]})
    if lot is not None and lot.material_id != material.pk:
        raise Invalid(f"{lot.code} is no lot of {material.name}.", fields={"lot": ["Another lot is expected."]})
    details["pictograms"] = _pictograms(details.get("pictograms", ()))
    sheet = SafetySheet(
        material=material,
        by=actor,
        source=source.strip(),
        statements=checked_hazards(statements, field="statements"),
        **details,
    )
    written(sheet, sheet=sheet.source, statements=", ".join(row["code"] or row["text"] for row in sheet.statements))
    if lot is not None:
        fresh = locked(lot)
        fresh.safety_sheet = sheet
        fresh.save()
    return sheet


def _pictograms(codes: Iterable[str]) -> list[str]:
    found = [code.strip().upper() for code in codes if code.strip()]
    for code in found:
        if not PICTOGRAM.match(code):
            raise Invalid(
                f"'{code}' is not the code of a pictogram; one looks like GHS05.",
                fields={"pictograms": [f"'{code}': expected a code such as GHS05."]},
            )
    return list(dict.fromkeys(found))


def newest_sheet(material: Material, supplier: Supplier | None) -> SafetySheet | None:
    """The newest sheet of a material from this supplier; else the newest that is of any."""
    rows = SafetySheet.objects.filter(material=material).order_by("-id")
    of_supplier = rows.filter(supplier=supplier).first() if supplier else None
    return of_supplier or rows.filter(supplier=None).first()


@act("material.set_incompatible")
def set_incompatible(
    material: Material, *, actor: User, effect: str, source: str, other: Material | None = None, surface: str = ""
) -> Incompatibility:
    """Record that a material must not meet another, or a metal or surface in words, its effect and source."""
    lacking = {name: ["This is needed."] for name, text in (("effect", effect), ("source", source)) if not text.strip()}
    if (other is None) == (not surface.strip()):
        lacking["surface"] = ["Choose a material, or name a metal or surface; one of the two."]
    if lacking:
        raise Invalid("The record is not complete.", fields=lacking)
    if other == material:
        raise Invalid("A material meets itself all the time.", fields={"other": ["Another material is expected."]})
    if _pair(material, other, surface.strip()):
        raise Conflict(f"{material.name} and that stand here already.", code="incompatibility-known")
    first, second = sorted((material, other), key=lambda m: m.pk) if other else (material, None)
    row = Incompatibility(
        material=first, other=second, surface=surface.strip().lower(), effect=effect.strip(), source=source.strip()
    )
    row.save()
    return row


def _pair(material: Material, other: Material | None, surface: str) -> bool:
    rows = Incompatibility.objects.filter(withdrawn=False)
    if other is None:
        return rows.filter(material=material, surface__iexact=surface).exists()
    return rows.filter(material__in=(material, other), other__in=(material, other)).exists()


@act("material.set_incompatible")
def withdraw_incompatible(row: Incompatibility, *, actor: User, reason: str) -> Incompatibility:
    """Take a record of incompatibility back, with a reason; it stays in the history."""
    need_a_reason(reason)
    fresh = locked(row)
    fresh.withdrawn = True
    fresh.save()
    return fresh
