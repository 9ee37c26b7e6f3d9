"""Compositions typed line by line, each on its own basis, and the bounds of what they can conduct.

1. Z. Hashin, S. Shtrikman, J. Appl. Phys. 33 (1962) 3125: bounds of an isotropic mixture of any number of phases.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.errors import AnalysisError
from analysis.materials.values import above_zero, fraction
from analysis.results import Array

BASES = ("mass", "parts", "volume", "rest")
"""Mass fraction; parts per hundred parts of the fluids by mass; volume fraction; what the others leave."""
AGREES = 1e-9


@dataclass(frozen=True, slots=True)
class Typed:
    """One line as typed: fraction [1] or parts per hundred of fluid; nothing for the rest. Density in kg/m3."""

    name: str
    basis: str
    amount: float = 0.0
    density: float | None = None
    fluid: bool = False


def composed_masses(lines: Sequence[Typed]) -> Array:
    """Mass fraction of each line [1], shape (lines,).

    Every line gives one linear equation: w_i = m_i; w_i = p_i/100 sum of the fluids' w; w_i/rho_i = phi_i times the
    sum of w_j/rho_j; for the rest, sum of w = 1. Where these leave the scale open (only parts, only volumes) the sum is
    one. The sum is not forced otherwise: 0.994 stays 0.994, to be refused by the caller with what is missing.
    Raises AnalysisError where a basis, an amount or a density is wrong or missing, or where the lines contradict.
    """
    _check(lines)
    size = len(lines)
    matrix, right = np.zeros((size, size)), np.zeros(size)
    for i, line in enumerate(lines):
        matrix[i], right[i] = _equation(i, line, lines)
    if not right.any() or np.linalg.matrix_rank(matrix) < size:
        matrix, right = np.vstack([matrix, np.ones(size)]), np.append(right, 1.0)
    found, _, rank, _ = np.linalg.lstsq(matrix, right, rcond=None)
    off = not np.allclose(matrix @ found, right, rtol=0.0, atol=AGREES)
    if rank < size or off or np.any(found < -AGREES):
        raise AnalysisError(_why_not(lines, np.asarray(found, dtype=np.float64)), code="composition-open")
    masses: Array = np.clip(found, 0.0, None)
    masses.flags.writeable = False
    return masses


def _check(lines: Sequence[Typed]) -> None:
    if not lines:
        raise AnalysisError("there are no lines yet", code="composition-open")
    for line in lines:
        if line.basis not in BASES:
            raise AnalysisError(f"{line.name}: expected one of {', '.join(BASES)}, found '{line.basis}'")
        if not (math.isfinite(line.amount) and line.amount >= 0.0):
            raise AnalysisError(f"{line.name}: expected an amount of zero or above, found {line.amount:g}")
    if sum(line.basis == "rest" for line in lines) > 1:
        raise AnalysisError("only one line can be the rest", code="composition-open")
    if any(line.basis == "parts" for line in lines) and not any(line.fluid for line in lines):
        raise AnalysisError("parts per hundred need a fluid among the lines; there is none", code="composition-open")
    lacking = [line.name for line in lines if not line.density]
    if lacking and any(line.basis == "volume" for line in lines):
        raise AnalysisError(f"density of {', '.join(lacking)} missing", code="density-missing")


def _equation(place: int, line: Typed, lines: Sequence[Typed]) -> tuple[Array, float]:
    own = np.zeros(len(lines))
    own[place] = 1.0
    if line.basis == "mass":
        return own, line.amount
    if line.basis == "rest":
        return np.ones(len(lines)), 1.0
    if line.basis == "parts":
        return own - line.amount / 100.0 * np.array([float(other.fluid) for other in lines]), 0.0
    # relative to the line's own density, so that all rows are of one size
    shares = np.array([(line.density or 1.0) / (other.density or 1.0) for other in lines])
    return own * shares - line.amount * shares, 0.0


def _why_not(lines: Sequence[Typed], found: Array) -> str:
    bases = {line.basis for line in lines}
    total = sum(line.amount for line in lines)
    if bases == {"volume"}:
        gap = (1.0 - total) * 100.0
        words = f"{abs(gap):.6g} % {'missing' if gap > 0 else 'too much'}"
        return f"the lines make {total * 100:.6g} % by volume, not 100 %: {words}"
    fluids = [line for line in lines if line.fluid]
    parts = sum(line.amount for line in fluids)
    if fluids and all(line.basis == "parts" for line in fluids) and abs(parts - 100.0) > AGREES:
        return f"the fluids make {parts:g} parts; together they are the hundred"
    if np.any(found < -AGREES):
        return f"the other lines leave less than nothing for {lines[int(np.argmin(found))].name}"
    return "the lines contradict one another; make one of them the rest"


def bounds(conductivities: Sequence[float], *, fractions: Sequence[float]) -> tuple[float, float]:
    """Lowest and highest conductivity [W/(m K)] of an isotropic mixture of these phases. [1]

    Parameters: conductivities [W/(m K)] above zero, volume fractions [1] that add up to one, shape (phases,) both.
    Formula: (sum of phi_i / (k_i + 2 k*))^-1 - 2 k*, with k* the lowest and the highest of the k_i. Valid without voids
    and without a resistance at the faces of the grains.
    """
    k, phi = above_zero("conductivity", conductivities), fraction("volume fraction", fractions)
    if abs(float(np.sum(phi)) - 1.0) > 1e-6:
        raise AnalysisError(f"volume fractions: expected a sum of 1, found {float(np.sum(phi)):g}", code="out-of-range")
    low, high = (1.0 / float(np.sum(phi / (k + 2.0 * end))) - 2.0 * float(end) for end in (k.min(), k.max()))
    return low, high
