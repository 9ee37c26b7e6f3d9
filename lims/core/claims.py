"""An advertised or a measured figure against what physics and its own companions allow, for pages and the interface."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.answers import claim_data
from analysis.errors import OutOfRange
from analysis.plausibility import KINDS, Claim, assess
from lims.core.errors import Invalid
from lims.core.quantities import to_si


@dataclass(frozen=True, slots=True)
class Stated:
    """One value that a claim may state: its name, label, the unit it is typed in, its dimension, and a hint."""

    name: str
    label: str
    unit: str
    of: str
    hint: str = ""


STATED = (
    Stated("conductivity", "Conductivity claimed", "W/(m*K)", "conductivity", "Of the material, as advertised."),
    Stated("impedance", "Thermal impedance claimed", "mm^2*K/W", "impedance", "Of the layer with its contacts."),
    Stated("gap", "Gap", "um", "length", "Thickness of the layer it was stated at."),
    Stated("temperature_rise", "Temperature rise", "K", "temperature_difference", "Across the layer."),
    Stated("power", "Heat flow", "W", "power", "With the area, it gives the flux the rise belongs to."),
    Stated("area", "Area", "mm^2", "area"),
    Stated("matrix", "Conductivity of the matrix", "W/(m*K)", "conductivity"),
    Stated("filler", "Conductivity of the filler", "W/(m*K)", "conductivity"),
    Stated("volume_fraction", "Filler by volume", "%", "ratio"),
    Stated("largest_particle", "Largest particle", "um", "length"),
    Stated("rival_gap", "Gap of a rival", "um", "length", "To see what it takes to draw level."),
    Stated("rival_conductivity", "Conductivity of the rival", "W/(m*K)", "conductivity"),
)
"""The values a claim may state, in the order of the form."""

KIND_CHOICES = tuple((key, key.replace("_", " ")) for key in KINDS)


def judge_claim(values: Mapping[str, float | None], *, kind: str = "") -> dict[str, Any]:
    """Whether a claim can be, in one sentence; `values` by name, each in its unit of STATED.

    Returns verdict, sentence, findings and what follows. Raises Invalid where a value cannot be, or where nothing or
    only half of heat flow and area is stated.
    """
    si = {
        one.name: to_si(float(value), unit=one.unit, of=one.of, field=one.name)
        for one in STATED
        if (value := values.get(one.name)) is not None
    }
    power, area = si.pop("power", None), si.pop("area", None)
    if (power is None) != (area is None):
        missing = "area" if area is None else "power"
        raise Invalid("Heat flow and area belong together.", fields={missing: ["State both, or neither."]})
    if power is not None and area is not None:
        if not area > 0.0:
            raise Invalid("An area above zero is expected.", fields={"area": ["Above zero."]})
        si["heat_flux"] = power / area
    return _judged({**si, "kind": kind})


def judge_measured(conductivity: float, *, gap: float, impedance: float, kind: str = "") -> dict[str, Any]:
    """A claimed conductivity [W/(m K)] beside a measured gap [m] and impedance [m2 K/W] of the same material."""
    return _judged({"conductivity": conductivity, "gap": gap, "impedance": impedance, "kind": kind})


def _judged(claim: dict[str, Any]) -> dict[str, Any]:
    try:
        return claim_data(assess(Claim(**claim)))
    except OutOfRange as error:
        raise Invalid(f"{error.message[:1].upper()}{error.message[1:]}.", code="bad-claim") from error
