"""Particle size: means, quantiles and surfaces of a powder, from counts, from a table, or from a law.

Diameters may be in any one unit; results are in the same. D_x is the diameter below which x % of the volume lies.
A size depends on how it was found (optics, dispersion, shape): a number's median is not a volume's median.

1. ISO 9276-2: moments and mean diameters.        2. ISO 9276-1: cumulative distributions.
3. P. Rosin, E. Rammler, J. Inst. Fuel 7 (1933) 29: the distribution.
4. T. Hatch, S. P. Choate, J. Franklin Inst. 207 (1929) 369: medians of a log-normal powder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.errors import OutOfRange
from analysis.materials.values import Numbers, above_zero, not_negative, plain, row
from analysis.results import Array

_HALVED = math.log(10.0) / -math.log(0.9)  # -ln(1 - 0.9) over -ln(1 - 0.1)


def mean_diameter(diameters: ArrayLike, *, counts: ArrayLike, p: float, q: float) -> float:
    """Mean diameter D[p, q] from number counts: (sum N d^p / sum N d^q)^(1 / (p - q)). [1]

    Parameters: `diameters` above zero and `counts` zero or above, shape (n,). D[4,3] weighs by volume, D[3,2] (Sauter)
    by surface, D[1,0] by number. p = q gives the limit, exp(sum N d^p ln d / sum N d^p).
    """
    d, n = _table(diameters, counts)
    largest = float(d.max())  # powers of the ratio, so that no unit overflows
    x = d / largest
    if p == q:
        weights = n * x**p
        return float(largest * math.exp(float(np.sum(weights * np.log(x)) / np.sum(weights))))
    return float(largest * (np.sum(n * x**p) / np.sum(n * x**q)) ** (1.0 / (p - q)))


def volume_shares(diameters: ArrayLike, *, counts: ArrayLike) -> Array:
    """Volume fraction [1] of each size from number counts, shape (n,): N d^3 / sum N d^3."""
    d, n = _table(diameters, counts)
    volumes = n * (d / d.max()) ** 3
    shares: Array = volumes / volumes.sum()
    shares.flags.writeable = False
    return shares


def volume_mean(diameters: ArrayLike, *, shares: ArrayLike) -> float:
    """D[4,3] from volume fractions: sum v d / sum v. [1]"""
    d, v = _table(diameters, shares)
    return float(np.sum(v * d) / np.sum(v))


def sauter_mean(diameters: ArrayLike, *, shares: ArrayLike) -> float:
    """D[3,2] from volume fractions: sum v / sum (v / d). [1]"""
    d, v = _table(diameters, shares)
    return float(np.sum(v) / np.sum(v / d))


def specific_surface(sauter: ArrayLike, *, density: ArrayLike) -> Numbers:
    """Surface [m2/kg] of smooth spheres from D[3,2] [m] and density [kg/m3]: 6 / (rho D[3,2]). [1]

    Rough or porous grains have more.
    """
    return plain(6.0 / (above_zero("density", density) * above_zero("Sauter diameter", sauter)))


def span(d10: ArrayLike, *, d50: ArrayLike, d90: ArrayLike) -> Numbers:
    """Width of a distribution [1]: (D90 - D10) / D50. OutOfRange where the three do not rise."""
    low, middle, high = (above_zero(name, d) for name, d in (("D10", d10), ("D50", d50), ("D90", d90)))
    if np.any(low > middle) or np.any(middle > high):
        raise OutOfRange("D10, D50, D90: expected values that rise in this order")
    return plain((high - low) / middle)


def quantile(share: ArrayLike, *, diameters: ArrayLike, below: ArrayLike) -> Numbers:
    """Diameter below which `share` [1] of the volume lies, from a table of a cumulative curve. [2]

    Parameters: `diameters` rising and above zero, `below` the fraction below each, from 0 to 1, never falling, shape
    (n,). Interpolated straight on the logarithm of the diameter. Raises OutOfRange for a share outside the table: a
    curve is not carried on beyond its ends.
    """
    d, f = row("diameters", diameters, least=2), row("fractions below", below, least=2)
    wanted = np.asarray(share, dtype=np.float64)
    if d.shape != f.shape:
        raise OutOfRange(f"diameters and fractions below: expected as many of each, found {d.size} and {f.size}")
    if np.any(np.diff(d) <= 0.0) or d[0] <= 0.0:
        raise OutOfRange("diameters: expected values above zero that rise")
    if np.any(np.diff(f) < 0.0) or f[0] < 0.0 or f[-1] > 1.0:
        raise OutOfRange("fractions below: expected values from 0 to 1 that never fall")
    if np.any(wanted < f[0]) or np.any(wanted > f[-1]):
        raise OutOfRange(f"share: expected {f[0]:g} to {f[-1]:g}, what the table covers")
    keep = np.concatenate(([True], np.diff(f) > 0.0))  # of a flat stretch the finest diameter
    return plain(np.exp(np.interp(wanted, f[keep], np.log(d[keep]))))


@dataclass(frozen=True, slots=True)
class LogNormal:
    """A log-normal powder: volume `median` in any unit, `width` s = ln(geometric standard deviation). [4]"""

    median: float
    width: float

    def __post_init__(self) -> None:
        above_zero("median", self.median)
        above_zero("width", self.width)

    def below(self, diameter: ArrayLike) -> Numbers:
        """Volume fraction below a diameter."""
        d = not_negative("diameter", diameter)
        with np.errstate(divide="ignore"):
            return plain(special.ndtr(np.log(d / self.median) / self.width))

    def quantile(self, share: ArrayLike) -> Numbers:
        """Diameter below which `share` of the volume lies: x50 exp(z s); nan outside 0..1."""
        return plain(self.median * np.exp(self.width * special.ndtri(np.asarray(share, dtype=np.float64))))

    def mean(self, p: float, q: float) -> float:
        """D[p, q]: x50 exp((p + q - 6) s^2 / 2). [4]"""
        return float(self.median * math.exp(0.5 * (p + q - 6.0) * self.width**2))

    @property
    def number_median(self) -> float:
        """Median by number: x50 exp(-3 s^2). [4]"""
        return float(self.median * math.exp(-3.0 * self.width**2))


@dataclass(frozen=True, slots=True)
class RosinRammler:
    """A powder with F(d) = 1 - exp(-(d / d')^n): `size` d', below which 63.2 % lies, `spread` n. [3]"""

    size: float
    spread: float

    def __post_init__(self) -> None:
        above_zero("size", self.size)
        above_zero("spread", self.spread)

    def below(self, diameter: ArrayLike) -> Numbers:
        """Volume fraction below a diameter."""
        return plain(-np.expm1(-((not_negative("diameter", diameter) / self.size) ** self.spread)))

    def quantile(self, share: ArrayLike) -> Numbers:
        """Diameter below which `share` of the volume lies: d' (-ln(1 - share))^(1/n); nan outside 0..1."""
        q = np.asarray(share, dtype=np.float64)
        with np.errstate(invalid="ignore", divide="ignore"):
            return plain(self.size * (-np.log1p(-np.where((q < 0.0) | (q > 1.0), np.nan, q))) ** (1.0 / self.spread))

    @property
    def volume_mean(self) -> float:
        """D[4,3]: d' Gamma(1 + 1/n)."""
        return float(self.size * special.gamma(1.0 + 1.0 / self.spread))

    @property
    def sauter_mean(self) -> float:
        """D[3,2]: d' / Gamma(1 - 1/n); OutOfRange for n of 1 or less, where the fines have no end."""
        if not self.spread > 1.0:
            raise OutOfRange(f"spread: a Sauter mean needs more than 1, found {self.spread:g}")
        return float(self.size / special.gamma(1.0 - 1.0 / self.spread))


def rosin_rammler_of(d10: float, *, d90: float) -> RosinRammler:
    """The Rosin-Rammler powder with these D10 and D90: n = ln(ln 0.1 / ln 0.9) / ln(D90 / D10). [3]"""
    low, high = float(above_zero("D10", d10)), float(above_zero("D90", d90))
    if not low < high:
        raise OutOfRange("D90: expected more than D10")
    spread = math.log(_HALVED) / math.log(high / low)
    return RosinRammler(high / math.log(10.0) ** (1.0 / spread), spread)


def log_normal_of(d10: float, *, d90: float) -> LogNormal:
    """The log-normal powder with these D10 and D90: s = ln(D90 / D10) / (2 * 1.2816). [4]"""
    low, high = float(above_zero("D10", d10)), float(above_zero("D90", d90))
    if not low < high:
        raise OutOfRange("D90: expected more than D10")
    return LogNormal(math.sqrt(low * high), math.log(high / low) / (2.0 * float(special.ndtri(0.9))))


def _table(diameters: ArrayLike, amounts: ArrayLike) -> tuple[Array, Array]:
    d, n = above_zero("diameters", row("diameters", diameters)), not_negative("amounts", row("amounts", amounts))
    if d.shape != n.shape:
        raise OutOfRange(f"diameters and amounts: expected as many of each, found {d.size} and {n.size}")
    if not n.sum() > 0.0:
        raise OutOfRange("amounts: expected at least one above zero")
    return d, n
