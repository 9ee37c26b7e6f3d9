"""Contact of two flat rough faces that conform: conductance through the touching peaks and through the gas between.

Every function takes numbers or arrays that broadcast; nan stays nan; OutOfRange where a value is not above zero.

1. M. G. Cooper, B. B. Mikic, M. M. Yovanovich, Int. J. Heat Mass Transfer 12 (1969) 279; M. M. Yovanovich (1982) with
   the factor 1.25 and the exponent 0.95; Yovanovich, IEEE Trans. Compon. Packag. Technol. 28 (2005) 182.
2. M. M. Yovanovich, J. DeVaal, A. H. Hegazy, AIAA 82-0888 (1982): gas in the gap, from memory.
3. V. W. Antonetti, T. D. Whittle, R. E. Simons, J. Electron. Packag. 115 (1993) 129: slope from roughness, from memory.
4. R. S. Prasher, J. Heat Transfer 123 (2001) 969: a wetting paste between rough faces, from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.errors import OutOfRange
from analysis.materials.values import Numbers, above_zero, between, not_negative, plain
from analysis.results import Array
from analysis.units import from_si

RELATIVE_PRESSURES = (1e-6, 2.3e-2)
"""Pressure over hardness where the conductance of the peaks holds. [1]"""
AIR_RAREFACTION = 3.7e-7
"""Gas rarefaction M [m] of air at 1 atm. [2]"""


def mean_conductivity(first: ArrayLike, *, second: ArrayLike) -> Numbers:
    """Harmonic mean of two conductivities: 2 k_1 k_2 / (k_1 + k_2), in their unit."""
    one, two = above_zero("conductivity", first), above_zero("conductivity", second)
    return plain(2.0 * one * two / (one + two))


def combined(first: ArrayLike, *, second: ArrayLike) -> Numbers:
    """Roughness, or slope, of two faces together: sqrt(s_1^2 + s_2^2)."""
    one, two = not_negative("roughness", first), not_negative("roughness", second)
    return plain(np.hypot(one, two))


def rms_roughness(ra: ArrayLike) -> Numbers:
    """Root mean square roughness of a Gaussian face from its Ra, in one unit: Ra sqrt(pi / 2)."""
    return plain(not_negative("Ra", ra) * math.sqrt(0.5 * math.pi))


def slope_of(roughness: ArrayLike) -> Numbers:
    """Mean slope [1] of a bead-blasted face from its rms roughness [m], to 1.6 um: 0.124 sigma^0.743 in um. [3]

    Raises OutOfRange above 1.6 um. A measured slope is better: faces of one roughness differ twofold.
    """
    sigma = from_si(above_zero("roughness", roughness), "um", "length")
    return plain(0.124 * between("roughness in um", sigma, low=0.0, high=1.6) ** 0.743)


def contact_conductance(
    pressure: ArrayLike, *, hardness: ArrayLike, conductivity: ArrayLike, roughness: ArrayLike, slope: ArrayLike
) -> Numbers:
    """Conductance of the touching peaks [W/(m2 K)]: 1.25 k_s (m / sigma) (p / H)^0.95. [1]

    Parameters: `pressure` and `hardness` [Pa], the hardness that of the softer face at the depth of the peaks (two to
    five times the bulk's); `conductivity` k_s the harmonic mean [W/(m K)]; `roughness` sigma [m] and `slope` m [1] of
    both faces together. Raises OutOfRange where p/H is not within 1e-6 to 2.3e-2.
    Valid for the first loading of flat faces that conform; unloading leaves a higher conductance.
    """
    sigma, m = above_zero("roughness", roughness), above_zero("slope", slope)
    k = above_zero("conductivity", conductivity)
    return plain(1.25 * k * m / sigma * _relative(pressure, hardness) ** 0.95)


def separation(pressure: ArrayLike, *, hardness: ArrayLike, roughness: ArrayLike, exact: bool = True) -> Numbers:
    """Distance [m] of the two mean planes: sqrt(2) sigma erfcinv(2 p/H), or 1.53 sigma (p/H)^-0.097. [2]

    Parameters as for `contact_conductance`; `exact` False gives the power law, 3 % off in its middle.
    """
    sigma, relative = above_zero("roughness", roughness), _relative(pressure, hardness)
    if exact:
        return plain(math.sqrt(2.0) * sigma * special.erfcinv(2.0 * relative))
    return plain(1.53 * sigma * relative**-0.097)


def gap_conductance(gas: ArrayLike, *, separation: ArrayLike, rarefaction: ArrayLike = AIR_RAREFACTION) -> Numbers:
    """Conductance of the gas between the faces [W/(m2 K)]: k_g / (Y + M). [2]

    Parameters: `gas` conductivity k_g [W/(m K)], `separation` Y [m], `rarefaction` M [m]: 0 for a liquid.
    """
    distance = above_zero("separation", separation) + not_negative("rarefaction", rarefaction)
    return plain(not_negative("gas conductivity", gas) / distance)


def filled_contact(first: ArrayLike, *, second: ArrayLike, matrix: ArrayLike) -> Numbers:
    """Impedance [m2 K/W] that the roughness of two faces adds to a paste that wets them: (s_1 + s_2) / (2 k_m). [4]

    Parameters: rms roughnesses [m], conductivity [W/(m K)] of the paste's own fluid. The order of size only.
    """
    both = not_negative("roughness", first) + not_negative("roughness", second)
    return plain(0.5 * both / above_zero("matrix conductivity", matrix))


def _relative(pressure: ArrayLike, hardness: ArrayLike) -> Array:
    relative = above_zero("pressure", pressure) / above_zero("hardness", hardness)
    low, high = RELATIVE_PRESSURES
    outside = (relative < low) | (relative > high)
    if np.any(outside):
        found = float(np.atleast_1d(relative)[np.atleast_1d(outside)][0])
        raise OutOfRange(f"pressure over hardness: expected {low:g} to {high:g}, found {found:.3g}")
    return relative
