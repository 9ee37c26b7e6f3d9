"""Student's t: coverage factors for standard uncertainties and half-widths for intervals.

`scipy.special` is used rather than `scipy.stats`: the same numbers, but it loads in a tenth of the time.
"""

from __future__ import annotations

from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special


@overload
def coverage_factor(dof: float, *, confidence: float = 0.95) -> float: ...


@overload
def coverage_factor(dof: NDArray[np.floating], *, confidence: float = 0.95) -> NDArray[np.float64]: ...


def coverage_factor(dof: float | NDArray[np.floating], *, confidence: float = 0.95) -> float | NDArray[np.float64]:
    """Two-sided coverage factor: the (1 + confidence) / 2 quantile of Student's t. [1]

    Parameters: `dof` degrees of freedom, a number or an array of any shape; infinity gives the normal quantile.
    Degrees of freedom are not rounded down to whole numbers. `confidence` in 0..1.
    Returns a float for a number, an array of the same shape for an array; nan where `dof` is not positive.

    1. JCGM 100:2008, G.3 and table G.2.
    """
    half = 0.5 * (1.0 + confidence)
    degrees = np.asarray(dof, dtype=float)
    finite = np.isfinite(degrees) & (degrees > 0.0)
    factor = np.where(degrees == np.inf, special.ndtri(half), np.nan)
    factor = np.where(finite, special.stdtrit(np.where(finite, degrees, 1.0), half), factor)
    return float(factor) if np.ndim(dof) == 0 else factor


def two_sided_p(t: ArrayLike, *, dof: ArrayLike) -> NDArray[np.float64]:
    """Probability of a `t` at least this far from zero, either way, at `dof` degrees of freedom; vectorised."""
    distance, degrees = np.broadcast_arrays(np.abs(np.asarray(t, dtype=float)), np.asarray(dof, dtype=float))
    normal = 2.0 * special.ndtr(-distance)
    finite = np.isfinite(degrees)
    return np.asarray(np.where(finite, 2.0 * special.stdtr(np.where(finite, degrees, 1.0), -distance), normal))
