"""What a filled fluid can do against how much filler is in it: bounds of conductivity, bond line, impedance.

1. Z. Hashin, S. Shtrikman, J. Appl. Phys. 33 (1962) 3125: the bounds, see `composing.bounds`.
2. The bond line: `bond_line.bond_line`; the packing limit: `packing.RANDOM_CLOSE`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.errors import AnalysisError
from analysis.materials.bond_line import BondLine
from analysis.materials.composing import bounds
from analysis.materials.packing import RANDOM_CLOSE
from analysis.results import Array

POINTS = 41


@dataclass(frozen=True, slots=True)
class Loading:
    """Bounds of conductivity [W/(m K)] at `fractions` of filler by volume [1]; `present` of this composition, `limit`.

    With a bond line also the impedance of the bulk [m2K/W] at both bounds: `least`, `most`; contacts come on top.
    """

    fractions: Array
    low: Array
    high: Array
    present: float
    limit: float
    bond_line: BondLine | None = None

    @property
    def least(self) -> Array | None:
        """Impedance at the upper bound of conductivity."""
        return None if self.bond_line is None else self.bond_line.gap / self.high

    @property
    def most(self) -> Array | None:
        """Impedance at the lower bound of conductivity."""
        return None if self.bond_line is None else self.bond_line.gap / self.low


def loading_of(
    conductivities: Sequence[float],
    *,
    fractions: Sequence[float],
    fluid: Sequence[bool],
    limit: float = RANDOM_CLOSE,
    bond_line: BondLine | None = None,
) -> Loading:
    """The bounds from no filler to the packing limit, or to the present loading where that lies above it.

    Parameters: conductivity [W/(m K)], volume fraction [1] and whether it is a fluid, for each material. Fillers keep
    their shares among one another, and fluids theirs. Raises AnalysisError where there is no fluid or no filler.
    """
    phi, wet = np.asarray(fractions, dtype=np.float64), np.asarray(fluid, dtype=bool)
    filler, rest = float(phi[~wet].sum()), float(phi[wet].sum())
    if filler <= 0.0 or rest <= 0.0:
        raise AnalysisError("a filler and a fluid are expected; one of them is not there", code="composition-open")
    present = filler / (filler + rest)
    grid = np.linspace(0.0, max(limit, present), POINTS)
    dry, moist = np.where(wet, 0.0, phi) / filler, np.where(wet, phi, 0.0) / rest
    pairs = [bounds(conductivities, fractions=list(dry * x + moist * (1.0 - x))) for x in grid]
    low, high = (np.array(side, dtype=np.float64) for side in zip(*pairs, strict=True))
    for array in (grid, low, high):
        array.flags.writeable = False
    return Loading(grid, low, high, present, limit, bond_line)
