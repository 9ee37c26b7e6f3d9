"""Bond line: the gap a filled paste stops at under pressure.

1. R. S. Prasher, J. Shipley, S. Prstic, P. Koning, J.-L. Wang, J. Heat Transfer 125 (2003) 1170; R. S. Prasher, Proc.
   IEEE 94 (2006) 1571: the scaling law. The two constants are from memory.
2. Squeeze flow of a paste with a yield stress, see `analysis.materials.squeeze_flow.rest_gap`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.materials.squeeze_flow import Face, rest_gap
from analysis.materials.values import Numbers, above_zero, not_negative, plain

SCALE = 1.31e-4
"""The scaling law's factor [m]. [1]"""
EXPONENT = 0.166
"""The scaling law's exponent. [1]"""
RATIOS = (1e-4, 1e-2)
"""Yield stress over pressure where the law was found, from memory."""
PRESSURES = (3e4, 7e5)
"""Pressures [Pa] where the law was found, from memory."""


@dataclass(frozen=True, slots=True)
class BondLine:
    """The gap expected [m], what sets it (`particles`, `paste`), both parts, and cautions in sentences."""

    gap: float
    set_by: str
    by_particles: float
    by_paste: float
    cautions: tuple[str, ...] = ()


def scaling_gap(yield_stress: ArrayLike, *, pressure: ArrayLike) -> Numbers:
    """Gap [m] by the scaling law, from yield stress and pressure [Pa]: 1.31e-4 (tau_y / p)^0.166. [1]

    Found for tau_y/p of 1e-4 to 1e-2 and pressures of 0.03 to 0.7 MPa after some minutes; an empirical law, so its
    result does not depend on the face. Twice the pressure makes the gap 10.9 % smaller. nan stays nan; OutOfRange
    where one is not above zero.
    """
    ratio = above_zero("yield stress", yield_stress) / above_zero("pressure", pressure)
    return plain(SCALE * ratio**EXPONENT)


def top_cut_gap(largest: ArrayLike, *, layers: ArrayLike = 1.0) -> Numbers:
    """Gap [m] below which particles carry the force: n_p d_max.

    Parameters: `largest` particle [m] (sieve cut, or D99 and above), zero or above; `layers` n_p, particles one over
    the other, at least zero: 1 for one layer, 1.2 to 2 seen (common practice, no source).
    """
    return plain(not_negative("layers", layers) * not_negative("largest particle", largest))


def expected_gap(
    yield_stress: ArrayLike, *, pressure: ArrayLike, largest: ArrayLike, layers: ArrayLike = 1.0
) -> Numbers:
    """The larger of `scaling_gap` and `top_cut_gap` [m] (common practice, no source)."""
    paste, particles = scaling_gap(yield_stress, pressure=pressure), top_cut_gap(largest, layers=layers)
    return plain(np.maximum(paste, particles))


def bond_line(
    yield_stress: float, *, pressure: float, largest: float = 0.0, layers: float = 1.0, face: Face | None = None
) -> BondLine:
    """The gap expected and what sets it, with a caution where the scaling law is used beyond what it was found on.

    Parameters: yield stress and pressure [Pa], `largest` particle [m], `layers` as for `top_cut_gap`; with a `face` the
    continuum gap at rest [2] is set beside the law where the two differ more than threefold.
    """
    paste = float(scaling_gap(yield_stress, pressure=pressure))
    particles = float(top_cut_gap(largest, layers=layers))
    cautions = []
    ratio = yield_stress / pressure
    if not RATIOS[0] <= ratio <= RATIOS[1]:
        cautions.append(
            f"the scaling law was found for yield stress over pressure of {RATIOS[0]:g} to {RATIOS[1]:g}, "
            f"not {ratio:.3g}"
        )
    if not PRESSURES[0] <= pressure <= PRESSURES[1]:
        cautions.append(f"the scaling law was found at {PRESSURES[0]:g} to {PRESSURES[1]:g} Pa, not {pressure:.4g} Pa")
    if face is not None:
        rest = float(rest_gap(yield_stress, force=pressure * face.area, face=face))
        if not paste / 3.0 <= rest <= paste * 3.0:
            cautions.append(f"squeeze flow alone would come to rest at {rest:.3g} m on this face")
    by = "particles" if particles > paste else "paste"
    return BondLine(max(paste, particles), by, particles, paste, tuple(cautions))
