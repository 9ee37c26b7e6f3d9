"""From the means over a window to every figure with its budget."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from analysis.results import BudgetLine, Measured
from analysis.statistics.monte_carlo import Drawing
from analysis.statistics.uncertainty import Estimate, Source, evaluate
from analysis.steady.gap import Reference, find_gap
from analysis.steady.heat import Heat, balance, find_heat
from analysis.steady.window import Rig, Window

_APPROACHING = ("temperature_rise", "thermal_impedance", "apparent_conductivity", "heat_flow", "heat_flux")
"""Figures that come to rest with the blocks; a gap closes, and a coolant wanders, in its own time."""


NO_AREA = "not computed, nor flux, pressure and conductivity: the contact area is missing (rig.area in a setup)"


@dataclass(frozen=True, slots=True)
class Figures:
    """Estimates of one window by quantity, what came out of them, and what their uncertainties were made from."""

    estimates: Mapping[str, Estimate]
    measured: Mapping[str, Measured]
    budget: Mapping[str, tuple[BudgetLine, ...]]
    heat: Heat
    drawings: Mapping[str, Drawing]


@dataclass(frozen=True, slots=True)
class Unrest:
    """What is left of the approach: the heat still `stored` [W], and the time constant [s] of the `approach`."""

    stored: Estimate | None = None
    approach: float | None = None


def find_figures(
    rig: Rig,
    *,
    window: Window,
    start: datetime | None,
    reference: Reference | None,
    unrest: Unrest,
    notes: dict[str, str] | None = None,
) -> Figures:
    """Every figure the window's channels allow; the formulas stand in `heat` and `gap`."""
    heat = find_heat(rig, window=window, stored=unrest.stored)
    estimates = _thermal(rig, heat)
    if notes is not None:
        notes.update(_said(rig))
    if window.has("coolant_in"):
        estimates["coolant_temperature"] = window.mean("coolant_in")
    if window.has("force") and rig.setup.area is not None:
        estimates["pressure"] = window.mean("force") / rig.constant("area")
    if window.has("gap") and reference is not None:
        estimates["gap"] = find_gap(rig, window=window, reference=reference, start=start, notes=notes)
    drawings = _drawings(estimates, window=window, approach=unrest.approach)
    judged = _judge(drawings)
    estimates |= _conductivity(estimates, {name: figure for name, (figure, _) in judged.items()})
    rest = {name: estimate for name, estimate in estimates.items() if name not in judged}
    drawings |= _drawings(rest, window=window, approach=unrest.approach)
    judged |= _judge({name: drawings[name] for name in rest})
    return Figures(
        estimates,
        measured={name: figure for name, (figure, _) in judged.items()},
        budget={name: lines for name, (_, lines) in judged.items()},
        heat=heat,
        drawings=drawings,
    )


def _said(rig: Rig) -> dict[str, str]:
    """What cannot be told for want of a setup, and why; which uncertainties rest on the readings alone."""
    found = {} if rig.setup.area is not None else {"thermal_impedance": NO_AREA}
    unstated = [c.column for c in rig.setup.channels if c.quantity.endswith("_temperature") and not c.u]
    if unstated:
        found["uncertainty"] = (
            f"of the scatter alone for {', '.join(unstated)}: no uncertainty is stated (u in a setup)"
        )
    return found


def _thermal(rig: Rig, heat: Heat) -> dict[str, Estimate]:
    """What follows from heat flow and faces alone. Formula: impedance = rise * area / heat flow."""
    rise = heat.hot_face - heat.cold_face
    estimates = {"temperature_rise": rise, "heat_flow": heat.flow}
    if rig.setup.area is not None:
        estimates["heat_flux"] = heat.flow / rig.constant("area")
        if heat.flow.value != 0.0:
            estimates["thermal_impedance"] = rise * rig.constant("area") / heat.flow
    estimates |= {"hot_temperature": heat.hot_face, "cold_temperature": heat.cold_face}
    if heat.coolant is not None:
        estimates["coolant_heat_flow"] = heat.coolant
    agreement = balance(heat)
    if agreement is not None:
        estimates["heat_balance"] = agreement
    return estimates


def _conductivity(estimates: Mapping[str, Estimate], measured: Mapping[str, Measured]) -> dict[str, Estimate]:
    """Apparent conductivity = gap / impedance, where both stand above their own expanded uncertainties."""
    needed = [measured.get(name) for name in ("gap", "thermal_impedance")]
    if any(figure is None or not figure.value > figure.expanded for figure in needed):
        return {}
    return {"apparent_conductivity": estimates["gap"] / estimates["thermal_impedance"]}


def _judge(drawings: Mapping[str, Drawing]) -> dict[str, tuple[Measured, tuple[BudgetLine, ...]]]:
    """Figures with their uncertainties and budgets, by the linear law."""
    return {
        name: evaluate(
            one.estimate,
            scatter=one.scatter,
            joint=() if one.together is None else one.together.sources,
            extra=one.extra,
        )
        for name, one in drawings.items()
    }


def _drawings(estimates: Mapping[str, Estimate], *, window: Window, approach: float | None) -> dict[str, Drawing]:
    """What the uncertainty of each figure over a window is made from, the residual slope included.

    A figure that still changes by s over the window of T could end anywhere in what it passed through: s T / sqrt(12).
    Where it approaches its end with a time constant tau, the mean is tau s short of it: tau s / sqrt(3) is added.
    What noise alone makes of the slope is taken out, for the scatter counts that already.
    """
    together = window.together
    scatters = together.scatters(list(estimates.values()))
    found = {}
    for (name, estimate), scatter in zip(estimates.items(), scatters, strict=True):
        moved = together.trend(estimate) * together.seconds
        u_moved = math.sqrt(max(moved**2 / 12.0 - scatter.u**2, 0.0))
        if approach is not None and name in _APPROACHING:
            u_moved *= math.hypot(1.0, 2.0 * approach / together.seconds)
        extra = (Source("residual slope", u_moved, shape="rectangular"),)
        found[name] = Drawing(estimate, scatter, together, extra)
    return found
