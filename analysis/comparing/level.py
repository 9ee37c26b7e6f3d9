"""One sample drawing level with another: what its runs tell of the layer, and what the layer would need.

The rise of a layer at the method's heat flux has a bulk part, gap / conductivity, and a contact part that neither a
thinner layer nor a better filler lessens. Runs at several gaps part the two; at one gap they stay together and the
apparent conductivity holds both.

1. JCGM 100:2008, 5.1.2 (propagation), G.4 (degrees of freedom).
2. ASTM D5470: the contact is the intercept of impedance against thickness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.comparing.takes import NOTHING, Needed, Takes, what_it_takes
from analysis.drawing import printed
from analysis.errors import NotComparable
from analysis.quantities import QUANTITIES
from analysis.results import Measured
from analysis.statistics.regression import fit_line
from analysis.units import format_measured, shown, shown_difference

FEWEST_FOR_A_LINE = 4  # applications; common practice, no source
SPREAD_FOR_A_LINE = 1.5  # largest gap over smallest; common practice, no source
FEWEST_FOR_A_SLOPE = 4  # runs at different conditions
SPREAD_FOR_A_SLOPE = 1.1  # largest condition over smallest


@dataclass(frozen=True, slots=True)
class Layer:
    """One run of a sample; SI units. `matched`: it stands in the ranking, under the method's conditions."""

    application: str
    gap: Measured
    impedance: Measured
    matched: bool = True
    pressure: float | None = None
    heat_flow: float | None = None


@dataclass(frozen=True, slots=True)
class Build:
    """What a sample's layers are made up of. `conductivity` is that of the bulk where the `contact` is known, else the
    apparent one, which holds the contact. `by_pressure`, `by_heat_flow`: relative change of the impedance for a
    relative change of the condition; None where the runs lie too close together to tell."""

    name: str
    gap: Measured
    impedance: Measured
    conductivity: Measured
    contact: Measured | None
    by_pressure: Measured | None
    by_heat_flow: Measured | None
    applications: int

    @property
    def contact_share(self) -> Measured | None:
        """The contact's share in the impedance, and so in the rise, in 0..1."""
        if self.contact is None:
            return None
        share = self.contact.value / self.impedance.value
        u = math.hypot(self.contact.u, share * self.impedance.u) / self.impedance.value
        return Measured(share, u, min(self.contact.dof, self.impedance.dof))


@dataclass(frozen=True, slots=True)
class Level:
    """What `sample` would need to draw level with `target` at one heat flux [W/m2]; without one no rise is told."""

    sample: Build
    target: Build
    takes: Takes
    heat_flux: float | None

    def rise(self, impedance: Measured) -> Measured | None:
        """The temperature rise [K] of an impedance at the method's heat flux."""
        if self.heat_flux is None:
            return None
        return Measured(impedance.value * self.heat_flux, impedance.u * self.heat_flux, impedance.dof)

    @property
    def sentence(self) -> str:
        """The whole in one sentence."""
        mine, other, takes = self.sample.name, self.target.name, self.takes
        if takes.unreachable:
            return (
                f"Unreachable: the contact of {mine} alone, {_told(takes.floor, 'thermal_impedance')}, is as much as "
                f"the whole of {other}, {_told(takes.target, 'thermal_impedance')}."
            )
        if takes.reached:
            return f"{mine} is level with {other} already, or better."
        conductivity = _range(takes.conductivity, "conductivity")
        gap = _range(takes.gap, "gap")
        doubt = " Perhaps no value will do: contact and target are closer than their doubt." if takes.doubtful else ""
        return (
            f"To draw level with {other}, {mine} needs a conductivity of {conductivity} at its gap, or a gap of {gap} "
            f"at its conductivity.{doubt}"
        )


def build_of(name: str, layers: Sequence[Layer]) -> Build:
    """What the runs of one sample tell; NotComparable where none of them is matched with a gap above nought. [1] [2]

    The runs of one application are averaged, and the applications then. The doubt of a mean holds the scatter between
    applications and, in full, the runs' own: what calibrations share does not average out.
    """
    matched = [one for one in layers if one.matched and one.gap.value > 0.0 and one.impedance.value > 0.0]
    if not matched:
        raise NotComparable(f"{name}: no run of the ranking gives both a gap and an impedance")
    names = sorted({one.application for one in matched})
    gap, impedance = (
        mean_of([mean_of_runs([getattr(one, key) for one in matched if one.application == each]) for each in names])
        for key in ("gap", "impedance")
    )
    line = _line(matched)
    contact, conductivity = line or (None, _ratio(gap, impedance))
    return Build(
        name=name,
        gap=gap,
        impedance=impedance,
        conductivity=conductivity,
        contact=contact,
        by_pressure=_sensitivity(layers, "pressure"),
        by_heat_flow=_sensitivity(layers, "heat_flow"),
        applications=len(names),
    )


def draw_level(sample: Build, target: Build, *, heat_flux: float | None) -> Level:
    """What `sample` needs to draw level with `target`: conductivity at its gap, or gap at its conductivity."""
    contact = sample.contact or NOTHING
    takes = what_it_takes(gap=sample.gap, conductivity=sample.conductivity, contact=contact, target=target.impedance)
    return Level(sample, target, takes, heat_flux)


def to_dict(level: Level) -> dict[str, Any]:
    """The whole ready for JSON, figures in the units people see."""
    takes, mine = level.takes, level.sample
    return {
        "sample": mine.name,
        "target": level.target.name,
        "sentence": level.sentence,
        "reached": takes.reached,
        "unreachable": takes.unreachable,
        "doubtful": takes.doubtful,
        "contact_known": mine.contact is not None,
        "applications": mine.applications,
        "gap": _entry(mine.gap, "gap"),
        "conductivity": _entry(mine.conductivity, "conductivity"),
        "impedance": _entry(mine.impedance, "thermal_impedance"),
        "target_impedance": _entry(takes.target, "thermal_impedance"),
        "contact": _entry(mine.contact, "contact_impedance"),
        "contact_share": _plain(mine.contact_share, 100.0, "%"),
        "bulk_share": _plain(_rest(mine.contact_share), 100.0, "%"),
        "rise": _entry(level.rise(takes.impedance), "temperature_rise"),
        "target_rise": _entry(level.rise(takes.target), "temperature_rise"),
        "floor_rise": _entry(level.rise(takes.floor) if mine.contact else None, "temperature_rise"),
        "needed_conductivity": _needed(takes.conductivity, "conductivity"),
        "needed_gap": _needed(takes.gap, "gap"),
        "by_pressure": _plain(mine.by_pressure, 10.0, "%"),
        "by_heat_flow": _plain(mine.by_heat_flow, 10.0, "%"),
    }


def mean_of_runs(values: Sequence[Measured]) -> Measured:
    """One application: the mean of its runs. Their doubt is not divided, for most of it is shared."""
    worst = max(values, key=lambda one: one.u)
    return Measured(math.fsum(one.value for one in values) / len(values), worst.u, worst.dof)


def mean_of(values: Sequence[Measured]) -> Measured:
    """The mean of applications: their scatter, and in full the largest doubt of one, which calibrations share."""
    n = len(values)
    mean = math.fsum(one.value for one in values) / n
    own = max(values, key=lambda one: one.u)
    if n == 1:
        return own
    scatter = math.sqrt(math.fsum((one.value - mean) ** 2 for one in values) / (n - 1) / n)
    u = math.hypot(scatter, own.u)
    lack = scatter**4 / (n - 1) + own.u**4 / own.dof
    return Measured(mean, u, u**4 / lack if lack > 0.0 else math.inf)


def _ratio(gap: Measured, impedance: Measured) -> Measured:
    value = gap.value / impedance.value
    u = value * math.hypot(gap.u / gap.value, impedance.u / impedance.value)
    return Measured(value, u, min(gap.dof, impedance.dof))


def _line(matched: Sequence[Layer]) -> tuple[Measured, Measured] | None:
    """Contact and bulk conductivity from runs at several gaps; None where the gaps lie too close to part them. [2]"""
    names = sorted({one.application for one in matched})
    gaps = [one.gap.value for one in matched]
    if len(names) < FEWEST_FOR_A_LINE or max(gaps) < SPREAD_FOR_A_LINE * min(gaps):
        return None
    each = [[one for one in matched if one.application == name] for name in names]
    x = [float(np.mean([one.gap.value for one in runs])) for runs in each]
    y = [float(np.mean([one.impedance.value for one in runs])) for runs in each]
    line = fit_line(x, y=y)
    if not line.slope > 0.0 or not line.intercept >= 0.0:
        return None
    k = 1.0 / line.slope
    return Measured(line.intercept, line.u_intercept, line.dof), Measured(k, k * k * line.u_slope, line.dof)


def _sensitivity(layers: Sequence[Layer], condition: str) -> Measured | None:
    """The slope of ln impedance against ln condition; the runs of one application count once."""
    names = sorted({one.application for one in layers})
    found = []
    for name in names:
        runs = [one for one in layers if one.application == name and (getattr(one, condition) or 0.0) > 0.0]
        if runs:
            found.append([float(np.mean([getattr(one, condition) for one in runs])), _impedance(runs)])
    if len(found) < FEWEST_FOR_A_SLOPE:
        return None
    x, y = np.array(found).T
    if x.max() < SPREAD_FOR_A_SLOPE * x.min():
        return None
    line = fit_line(np.log(x), y=np.log(y))
    return Measured(line.slope, line.u_slope, line.dof)


def _impedance(runs: Sequence[Layer]) -> float:
    return float(np.mean([one.impedance.value for one in runs]))


def _rest(share: Measured | None) -> Measured | None:
    return None if share is None else Measured(1.0 - share.value, share.u, share.dof)


def _entry(measured: Measured | None, key: str) -> dict[str, Any] | None:
    if measured is None:
        return None
    return {
        "value": shown(measured.value, key),
        "u": shown_difference(measured.u, key),
        "dof": measured.dof if math.isfinite(measured.dof) else None,
        "k": measured.k,
        "U95": shown_difference(measured.expanded, key),
        "unit": QUANTITIES[key].shown,
    }


def _plain(measured: Measured | None, scale: float, unit: str) -> dict[str, Any] | None:
    """A share, or the change for ten per cent of a condition, in per cent."""
    if measured is None:
        return None
    dof = measured.dof if math.isfinite(measured.dof) else None
    value, u, wide = (scale * one for one in (measured.value, measured.u, measured.expanded))
    return {"value": value, "u": u, "dof": dof, "k": measured.k, "U95": wide, "unit": unit}


def _needed(needed: Needed | None, key: str) -> dict[str, Any] | None:
    entry = None if needed is None else _entry(needed.measured, key)
    if needed is None or entry is None:
        return None
    high = None if needed.open_above else shown(needed.high, key)
    return entry | {"low": shown(needed.low, key), "high": high}


def _told(measured: Measured, key: str) -> str:
    text = format_measured(shown(measured.value, key), shown_difference(measured.expanded, key))
    return f"{text} {printed(QUANTITIES[key].shown)}"


def _range(needed: Needed | None, key: str) -> str:
    if needed is None:
        return ""
    if needed.open_above:
        low = shown(needed.low, key)
        return f"{shown(needed.measured.value, key):.3g} (at least {low:.3g}) {printed(QUANTITIES[key].shown)}"
    return _told(needed.measured, key)
