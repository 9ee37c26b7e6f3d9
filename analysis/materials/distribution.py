"""A whole size distribution, as a table of an instrument: read as typed, cumulated, and told by its sizes and means.

Between two sizes of the table the amount is taken as spread evenly over the logarithm of the diameter. D_x (by volume)
and the moments follow from that one assumption, so that they agree with one another. What lies below the finest size of
the table is taken as one class as wide as the next; `open_share` says how much that is.

1. ISO 9276-2: moments and mean diameters.        2. ISO 9276-1: cumulative distributions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import OutOfRange, Where
from analysis.materials.particle_size import quantile
from analysis.results import Array

Form = Literal["below", "classes"]
Basis = Literal["volume", "number"]

_WHOLE = 0.01  # a table that ends this far from the whole is not the whole powder
_ROUNDING = 5e-4  # by which printed percentages may fall back
MOST_ROWS = 5_000


@dataclass(frozen=True, slots=True)
class SizeTable:
    """A distribution: `edges` [m] rising, shape (n + 1,), and `shares` [1] of volume and number in each class, (n,)."""

    edges: Array
    volume: Array
    number: Array
    open_share: float  # of the basis it was measured in, below the finest size of the table

    @property
    def below(self) -> Array:
        """Share of the volume below each edge, shape (n + 1,)."""
        return np.concatenate(([0.0], np.minimum(np.cumsum(self.volume), 1.0)))

    @property
    def density(self) -> Array:
        """Share of the volume in each class over the width of its decimal logarithm, shape (n,)."""
        return np.asarray(self.volume / np.diff(np.log10(self.edges)), dtype=np.float64)

    def quantile(self, share: float) -> float:
        """Diameter [m] below which `share` [1] of the volume lies. [2]"""
        return float(quantile(share, diameters=self.edges, below=self.below))

    def mean(self, p: int, q: int) -> float:
        """Mean diameter D[p, q] [m], p not q: (M_p / M_q)^(1 / (p - q)) of the moments of the number. [1]"""
        if p == q:
            raise OutOfRange("a mean diameter needs two different moments")
        return float((self._moment(p) / self._moment(q)) ** (1.0 / (p - q))) * float(self.edges[-1])

    def _moment(self, power: int) -> float:
        """The moment of the number distribution, in units of the largest edge, times one constant."""
        ends = self.edges / self.edges[-1]
        # v / mean(d^3) is the count in a class; v times the ratio of means is its part of the moment
        return float(np.sum(self.volume * _mean_power(ends, power) / _mean_power(ends, 3)))


def size_table(sizes: ArrayLike, amounts: ArrayLike, *, form: Form, basis: Basis) -> SizeTable:
    """The distribution in a table of `sizes` [m] and `amounts`, shape (n,).

    Parameters: `form` "below": share below each size, in percent or as a fraction, up to the whole; "classes": amount
    from the size before up to each size; by volume the whole must come to 100 % or 1, by number counts will do.
    Raises OutOfRange naming the row (from 1) that is wrong.
    """
    d, a = np.asarray(sizes, dtype=np.float64), np.asarray(amounts, dtype=np.float64)
    _check_rows(d, a)
    shares = _shares_below(a) if form == "below" else _shares_of_classes(a, basis)
    edges = np.concatenate(([d[0] ** 2 / d[1]], d))
    open_share = float(shares[0])
    keep = slice(0, None) if open_share > 0.0 else slice(1, None)  # a first row of nought only tells where it begins
    edges, shares = edges[keep], shares[keep]
    cubes = _mean_power(edges / edges[-1], 3)
    volume, number = (shares, shares / cubes) if basis == "volume" else (shares * cubes, shares)
    return SizeTable(_fixed(edges), _fixed(volume / volume.sum()), _fixed(number / number.sum()), open_share)


def _mean_power(edges: Array, power: int) -> Array:
    """The mean of d^p in each class whose amount is spread evenly over ln d."""
    if power == 0:
        return np.ones(edges.size - 1)
    return np.asarray(np.diff(edges**power) / (power * np.diff(np.log(edges))), dtype=np.float64)


def _check_rows(d: Array, a: Array) -> None:
    if d.size < 3:
        raise OutOfRange(f"a distribution needs three rows or more, found {d.size}")
    if d.size > MOST_ROWS:
        raise OutOfRange(f"a distribution has at most {MOST_ROWS} rows, found {d.size}")
    _refuse(~(np.isfinite(d) & (d > 0.0)), "a size above zero is expected")
    _refuse(~(np.isfinite(a) & (a >= 0.0)), "an amount of zero or more is expected")
    _refuse(np.concatenate(([False], np.diff(d) <= 0.0)), "the size does not rise above that of the row before")


def _shares_below(below: Array) -> Array:
    """The share of each class of a cumulative curve, in percent where it ends near 100, else as a fraction."""
    whole = 100.0 if below[-1] > 1.5 else 1.0
    fraction = below / whole
    _refuse(np.concatenate(([False], np.diff(fraction) < -_ROUNDING)), "the share falls below that of the row before")
    _refuse(fraction > 1.0 + _WHOLE, "more than 100 % lies below this size")
    if fraction[-1] < 1.0 - _WHOLE:
        raise OutOfRange(
            f"the curve ends at {100 * fraction[-1]:.4g} %: the last row must reach 100 %",
            where=Where(line=int(below.size)),
        )
    rising = np.maximum.accumulate(fraction)
    return np.asarray(np.diff(np.concatenate(([0.0], rising))) / rising[-1], dtype=np.float64)


def _shares_of_classes(amounts: Array, basis: Basis) -> Array:
    total = float(amounts.sum())
    if not total > 0.0:
        raise OutOfRange("every class is empty: at least one amount above zero is expected")
    if basis == "volume" and min(abs(total - 1.0), abs(total / 100.0 - 1.0)) > _WHOLE:
        raise OutOfRange(f"the classes come to {total:.5g} together: 100 % or 1 is expected")
    return np.asarray(amounts / total, dtype=np.float64)


def _refuse(wrong: NDArray[np.bool_], message: str) -> None:
    rows = np.flatnonzero(wrong)
    if rows.size:
        raise OutOfRange(message, where=Where(line=int(rows[0]) + 1))


def _fixed(values: Array) -> Array:
    values.flags.writeable = False
    return values
