"""Packing: how much filler fits, and which mix of sizes fits best.

1. C. C. Furnas, Ind. Eng. Chem. 23 (1931) 1052: sizes that fill one another's gaps.
2. A. H. M. Andreasen, J. Andersen, Kolloid-Z. 50 (1930) 217: a grading without a smallest size.
3. J. E. Funk, D. R. Dinger, Predictive Process Control of Crowded Particulate Suspensions (1994): with a smallest size.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import OutOfRange
from analysis.materials.values import Numbers, above_zero, fraction, plain
from analysis.results import Array

FACE_CENTRED = math.pi / (3.0 * math.sqrt(2.0))
"""Largest fraction of equal spheres in any order: 0.7405."""
BODY_CENTRED = math.pi * math.sqrt(3.0) / 8.0
SIMPLE_CUBIC = math.pi / 6.0
RANDOM_CLOSE = 0.64
"""Equal spheres, poured and shaken: 0.637 to 0.64."""
LEAST_RATIO = 7.0
"""From one size to the next, for the smaller to fit into the gaps of the larger; 1.4 hardly helps. [1]"""


def furnas(packing: ArrayLike, *, sizes: int = 2) -> Numbers:
    """Fraction that `sizes` sizes fill when each packs to `packing` [1] in the gaps left: 1 - (1 - p)^n. [1]

    The limit for sizes infinitely different; real ones need a ratio of about 7 to 10 from one to the next.
    """
    if not (isinstance(sizes, int) and sizes >= 1):
        raise OutOfRange(f"sizes: expected a whole number from 1 on, found {sizes}")
    return plain(1.0 - (1.0 - fraction("packing", packing)) ** sizes)


def furnas_shares(packing: float, *, sizes: int = 2) -> Array:
    """Share of all solids for each size, coarsest first, shape (sizes,): p (1 - p)^i / (1 - (1 - p)^n). [1]"""
    total = float(furnas(above_zero("packing", packing), sizes=sizes))
    shares: Array = float(packing) * (1.0 - float(packing)) ** np.arange(sizes, dtype=np.float64) / total
    shares.flags.writeable = False
    return shares


def andreasen(diameter: ArrayLike, *, largest: ArrayLike, exponent: ArrayLike = 0.37) -> Numbers:
    """Volume fraction finer than `diameter` in a grading that packs well: (d / D)^q. [2]

    Parameters: `diameter` zero to `largest`, both in one unit; `exponent` q above zero (0.37 packs densest in three
    dimensions, 0.20 to 0.30 flows). Returns 1 at the largest.
    """
    return dinger_funk(diameter, largest=largest, smallest=0.0, exponent=exponent)


def dinger_funk(diameter: ArrayLike, *, largest: ArrayLike, smallest: ArrayLike, exponent: ArrayLike = 0.37) -> Numbers:
    """The same with a smallest size: (d^q - d_min^q) / (D^q - d_min^q). [3]

    Raises OutOfRange for a diameter outside the smallest to the largest.
    """
    d, top, low = np.asarray(diameter, float), above_zero("largest", largest), np.asarray(smallest, float)
    q = above_zero("exponent", exponent)
    if np.any(low < 0.0) or np.any(low >= top):
        raise OutOfRange("smallest: expected zero or above and below the largest")
    if np.any(d < low) or np.any(d > top):
        raise OutOfRange("diameter: expected from the smallest to the largest")
    return plain((d**q - low**q) / (top**q - low**q))
