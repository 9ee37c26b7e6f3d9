"""Name materials and keep what is known of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any, TypedDict, Unpack

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid, Stale
from lims.core.machines import locked
from lims.materials.kinds import kind_of, property_of
from lims.materials.models import Material

# H and P statements of the Globally Harmonized System (GHS), with EUH of the European list; combined ones with a plus.
CURRENCY_CODE = re.compile(r"[A-Z]{3}")
HAZARD_CODE = re.compile(r"^(EUH|H|P)\d{3}[A-Za-z]{0,3}(\+(H|P)\d{3}[A-Za-z]{0,3})*$")


class MaterialFields(TypedDict, total=False):
    """What is known of a material; values in SI, u standard."""

    name: str
    kind: str
    density: float | None
    density_u: float | None
    conductivity: float | None
    conductivity_u: float | None
    conductivity_source: str
    shape: str
    hazards: list[dict[str, str]]
    hazards_source: str
    remarks: str
    price: Decimal | None
    currency: str


@act("material.create")
def create_material(*, actor: User | None, **fields: Unpack[MaterialFields]) -> Material:
    """Name a material: what it is, its kind, and what is known of it."""
    material = Material(code=next_code("material"))
    _fill(material, fields)
    material.save()
    return material


@act("material.change")
def change_material(
    material: Material,
    *,
    actor: User | None,
    reason: str = "",
    version: int | None = None,
    **fields: Unpack[MaterialFields],
) -> Material:
    """Change what is known of a material. `version` is the one that was read: a change made meanwhile refuses."""
    fresh = locked(material)
    if version is not None and version != fresh.version:
        raise Stale(
            f"{fresh.code} was changed by somebody while you were writing.",
            next_step="What you typed is still here. Look at the record, then send again.",
            changed=[fresh.code],
            version=fresh.version,
        )
    _fill(fresh, fields)
    fresh.save()
    return fresh


def _fill(material: Material, fields: Mapping[str, Any]) -> None:
    for name, value in fields.items():
        setattr(material, name, value.strip() if isinstance(value, str) else value)
    kind_of(material.kind)
    _check_name(material)
    _check_ranges(material)
    _check_price(material)
    material.hazards = checked_hazards(material.hazards)
    if material.hazards and not material.hazards_source.strip():
        raise Invalid(
            "Hazards need their source.", fields={"hazards_source": ["Name the safety data sheet and its date."]}
        )


def _check_name(material: Material) -> None:
    if Material.objects.filter(name__iexact=material.name).exclude(pk=material.pk).exists():
        raise Conflict(
            f"There is a material called {material.name} already.",
            code="name-taken",
            fields={"name": ["This name is taken."]},
        )


def _check_ranges(material: Material) -> None:
    for name in ("density", "conductivity"):
        value, known = getattr(material, name), property_of(name)
        if value is not None and not known.least <= value <= known.most:
            raise Invalid(
                f"A {name} of {value:g} SI is outside what is physically possible.",
                code="out-of-range",
                fields={name: [f"Expected {known.least:g} to {known.most:g} in SI. Is the unit right?"]},
            )


def _check_price(material: Material) -> None:
    """A price has its currency, by the three letters of ISO 4217; a currency without a price says nothing."""
    material.currency = material.currency.upper() if material.price is not None else ""
    if material.price is None:
        return
    if material.price < 0:
        raise Invalid("A price is not below nothing.", fields={"price": ["Expected zero or above."]})
    if not CURRENCY_CODE.fullmatch(material.currency):
        found = f"'{material.currency}' found" if material.currency else "nothing found"
        words = f"{found}, expected three letters as in ISO 4217: EUR."
        raise Invalid("A price needs its currency.", code="no-currency", fields={"currency": [words]})


def checked_hazards(hazards: Iterable[Mapping[str, str]], *, field: str = "hazards") -> list[dict[str, str]]:
    """Hazards as code and text; a code must look like one of the Globally Harmonized System."""
    rows = []
    for row in hazards:
        code, text = str(row.get("code", "")).strip().replace(" ", ""), str(row.get("text", "")).strip()
        if not code and not text:
            continue
        if code and not HAZARD_CODE.match(code):
            raise Invalid(
                f"'{code}' is not a hazard code; a hazard code looks like H315.",
                fields={field: [f"'{code}': expected a code such as H315 or P261."]},
            )
        rows.append({"code": code, "text": text})
    return rows
