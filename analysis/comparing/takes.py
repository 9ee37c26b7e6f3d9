"""What it would take for a layer to reach a target impedance: a conductivity at its gap, or a gap at its conductivity.

The impedance of a layer is theta = gap / conductivity + contact. At the target, the bulk may take up target - contact;
where the contact alone is as large as the target, no conductivity and no gap will do.

1. JCGM 100:2008, 5.1.2 (propagation), G.4 (degrees of freedom).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import OutOfRange
from analysis.results import Measured

NOTHING = Measured(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Needed:
    """A needed value with its interval at 95 %. `open_above`: the doubt reaches as far as "no value would do"."""

    measured: Measured
    low: float
    high: float

    @property
    def open_above(self) -> bool:
        return math.isinf(self.high)


@dataclass(frozen=True, slots=True)
class Takes:
    """What a layer needs to reach `target`; SI units. `conductivity` and `gap` are None where that is unreachable.

    `impedance` is what the layer has now, `floor` what is left of it if the bulk conducted perfectly. `doubtful`:
    contact and target are closer than their expanded uncertainty, so that "reachable" is not certain.
    """

    target: Measured
    impedance: Measured
    floor: Measured
    reached: bool
    unreachable: bool
    doubtful: bool
    conductivity: Needed | None
    gap: Needed | None

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        if self.unreachable:
            return "unreachable: the contact alone takes up as much as the target"
        if self.reached:
            return "the layer is at the target already"
        if self.doubtful:
            return "perhaps unreachable: contact and target are closer than their uncertainty"
        return "within reach by conductivity or by gap"


def what_it_takes(*, gap: Measured, conductivity: Measured, target: Measured, contact: Measured = NOTHING) -> Takes:
    """The conductivity needed at `gap`, and the gap needed at `conductivity`, to reach the impedance `target`. [1]

    Parameters: `gap` [m] > 0; `conductivity` [W/(m K)] > 0; `target` and `contact` [m2 K/W]. With the apparent
    conductivity of a single thickness, which holds the contact already, `contact` stays nought. The inputs count as
    independent.
    Raises OutOfRange for a gap, conductivity or target that is not above nought, or a contact below it.
    """
    _check(gap, conductivity, target, contact)
    bulk = target.value - contact.value
    u_bulk = math.hypot(target.u, contact.u)
    k_bulk = Measured(bulk, u_bulk, _effective((target.u, target.dof), (contact.u, contact.dof)))
    unreachable = bulk <= 0.0
    now = _sum(_ratio(gap, conductivity), contact)
    return Takes(
        target=target,
        impedance=now,
        floor=contact,
        reached=now.value <= target.value,
        unreachable=unreachable,
        doubtful=not unreachable and bulk <= k_bulk.expanded,
        conductivity=None if unreachable else _needed_conductivity(gap, k_bulk),
        gap=None if unreachable else _needed_gap(conductivity, k_bulk),
    )


def needed_conductivity(gap: ArrayLike, *, target: float, contact: float = 0.0) -> NDArray[np.float64]:
    """Conductivity [W/(m K)] needed at each `gap` [m] for the impedance `target`; infinite beyond reach."""
    bulk = target - contact
    layers = np.asarray(gap, dtype=float)
    return layers / bulk if bulk > 0.0 else np.full(layers.shape, np.inf)


def impedance_of_rise(rise: Measured, *, heat_flux: Measured) -> Measured:
    """The impedance [m2 K/W] of a layer that rises by `rise` [K] at `heat_flux` [W/m2]."""
    return _ratio(rise, heat_flux)


def _needed_conductivity(gap: Measured, bulk: Measured) -> Needed:
    """gap / bulk; the interval opens upward where the bulk's own reaches nought, rather than turn over."""
    measured = _ratio(gap, bulk)
    half = measured.expanded
    certain = bulk.value > bulk.expanded
    return Needed(measured, max(measured.value - half, 0.0), measured.value + half if certain else math.inf)


def _needed_gap(conductivity: Measured, bulk: Measured) -> Needed:
    value = conductivity.value * bulk.value
    parts = (conductivity.u * bulk.value, conductivity.dof), (conductivity.value * bulk.u, bulk.dof)
    measured = Measured(value, math.hypot(parts[0][0], parts[1][0]), _effective(*parts))
    return Needed(measured, max(value - measured.expanded, 0.0), value + measured.expanded)


def _ratio(above: Measured, below: Measured) -> Measured:
    value = above.value / below.value
    parts = (above.u / below.value, above.dof), (value * below.u / below.value, below.dof)
    return Measured(value, math.hypot(parts[0][0], parts[1][0]), _effective(*parts))


def _sum(first: Measured, second: Measured) -> Measured:
    dof = _effective((first.u, first.dof), (second.u, second.dof))
    return Measured(first.value + second.value, math.hypot(first.u, second.u), dof)


def _effective(*parts: tuple[float, float]) -> float:
    """Effective degrees of freedom of independent contributions (u, dof). [1]"""
    total = math.fsum(u * u for u, _ in parts)
    lack = math.fsum(u**4 / dof for u, dof in parts)
    return total * total / lack if lack > 0.0 else math.inf


def _check(gap: Measured, conductivity: Measured, target: Measured, contact: Measured) -> None:
    for name, measured in (("gap", gap), ("conductivity", conductivity), ("target impedance", target)):
        if not measured.value > 0.0:
            raise OutOfRange(f"{name} is {measured.value:g}; expected a value above nought")
    if not contact.value >= 0.0:
        raise OutOfRange(f"contact impedance is {contact.value:g}; expected nought or more")
