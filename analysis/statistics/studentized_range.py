"""The studentized range and Dunnett's many-to-one t: tail probabilities and quantiles, many at a time.

`scipy.stats` has both, but needs a quarter of a second for one quantile among 500 groups, and random numbers for
Dunnett's. Here both are plain quadrature over tables that are kept for each number of groups, so that all pairs of 500
samples compare in a fraction of a second. The tests hold them against `scipy.stats` and against published tables.

1. H. L. Harter, Ann. Math. Statist. 31 (1960), 1122-1147: the integrals of the range and the studentized range.
2. C. W. Dunnett, J. Am. Statist. Assoc. 50 (1955), 1096-1121: many treatments against one reference.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

_NODES = 160  # of the quadrature over normal values
_STEPS = 1024  # of the table of the range's distribution
_SCALE_NODES = 400, 80  # of the quadrature over the estimated standard deviation: below 5 degrees of freedom, above
_FEW = 64  # above this many values or different degrees of freedom, interpolate between exact ones
_DEGREE = 24  # of the polynomial in 1 / dof
_GRID = 300  # exact tails between which others are interpolated, evenly spaced in log(1 + q)
_LARGEST = 2000.0  # interpolated tails stay what they are here for larger q: too large, never too small


def studentized_range_tail(q: ArrayLike, *, groups: int, dof: ArrayLike) -> Array:
    """Probability that the studentized range of `groups` means exceeds `q`. [1]

    Parameters: `q` >= 0 and `dof` >= 1 broadcast against one another; infinite `dof` is allowed.
    Error below 1e-7; below 1e-4 where more than 64 different degrees of freedom are asked for at once.
    """
    wide, degrees = np.broadcast_arrays(np.asarray(q, dtype=float), np.asarray(dof, dtype=float))
    flat, each = wide.ravel(), degrees.ravel()
    distinct, place = np.unique(each, return_inverse=True)
    if distinct.size > _FEW:
        return _tail_between_nodes(flat, each, groups).reshape(wide.shape)
    tail = np.empty(flat.shape)
    for number, degree in enumerate(distinct):
        mine = place == number
        tail[mine] = _tails_at(flat[mine], groups, float(degree))
    return tail.reshape(wide.shape)


def studentized_range_quantile(confidence: float, *, groups: int, dof: ArrayLike) -> Array:
    """The value the studentized range of `groups` means stays under with probability `confidence`. [1]

    Parameters: `dof` >= 1, any shape. Error below 1e-6; below 1e-5 for more than 64 different degrees of freedom.
    """
    degrees = np.asarray(dof, dtype=float)
    distinct, place = np.unique(degrees.ravel(), return_inverse=True)
    if distinct.size > _FEW:
        nodes = _dof_nodes(distinct)
        known = np.log([_quantile_at(round(confidence, 12), groups, node) for node in nodes])
        found = np.exp(
            chebyshev.chebval(_folded(distinct, distinct), chebyshev.chebfit(_folded(nodes, distinct), known, _DEGREE))
        )
    else:
        found = np.array([_quantile_at(round(confidence, 12), groups, float(degree)) for degree in distinct])
    return np.asarray(found[place]).reshape(degrees.shape)


def dunnett_tail(t: ArrayLike, *, sizes: ArrayLike, reference_size: float, dof: float) -> Array:
    """Probability that the largest of the |t| against one reference exceeds `t`. [2]

    Parameters: `t`, any shape; `sizes` the numbers of values in the other groups; `dof` of the pooled variance.
    """
    asked = np.minimum(np.abs(np.asarray(t, dtype=float)).ravel(), _LARGEST)
    loadings, counts = _loadings(sizes, reference_size)

    def exact(some: Array) -> Array:
        return _dunnett_tail_at(some, loadings, counts, dof)

    tail = exact if asked.size <= _FEW else _tabulated(exact, largest=float(asked.max()), steps=80)
    return tail(asked).reshape(np.shape(t))


def dunnett_quantile(confidence: float, *, sizes: ArrayLike, reference_size: float, dof: float) -> float:
    """The value that the largest of the |t| against one reference stays under with probability `confidence`. [2]"""
    loadings, counts = _loadings(sizes, reference_size)
    return _falling_root(lambda t: _dunnett_tail_at(t, loadings, counts, dof), 1.0 - confidence)


# ---- the range of k normal values


@lru_cache(maxsize=64)
def _range_table(groups: int) -> tuple[float, Array, Array]:
    """Step, values and slopes (times the step) of the distribution function of the range of `groups` normal values."""
    largest, weight = _normal_nodes()
    density = groups * weight
    top = 17.0
    width = np.linspace(0.0, top, _STEPS)[:, None]
    inside = special.ndtr(largest) - special.ndtr(largest - width)
    rest = inside ** (groups - 2)
    value = (rest * inside) @ density
    slope = (groups - 1) * (rest * _phi(largest - width)) @ density
    step = top / (_STEPS - 1)
    return step, _frozen(np.minimum(value, 1.0)), _frozen(slope * step)


def _range_cdf(width: Array, groups: int) -> Array:
    step, value, slope = _range_table(groups)
    return _hermite(width / step, value, slope)


@lru_cache(maxsize=1)
def _normal_nodes() -> tuple[Array, Array]:
    """Nodes and weights for the expectation over a normal value (the largest of many lies above -9 and below 9.5)."""
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    at = 0.25 + 9.25 * node
    return _frozen(at), _frozen(9.25 * weight * _phi(at))


@lru_cache(maxsize=512)
def _scale(dof: float) -> tuple[Array, Array]:
    """Nodes and weights of s / sigma at `dof`: the trapezium rule in log s, which converges at once there."""
    if not np.isfinite(dof):
        return _frozen(np.ones(1)), _frozen(np.ones(1))
    low = special.gammaincinv(0.5 * dof, 1e-11) / (0.5 * dof)
    high = special.gammainccinv(0.5 * dof, 1e-13) / (0.5 * dof)
    log = 0.5 * np.linspace(np.log(low), np.log(high), _SCALE_NODES[int(dof >= 5.0)])
    weight = np.exp(dof * (log - 0.5 * np.expm1(2.0 * log)))
    return _frozen(np.exp(log)), _frozen(weight / weight.sum())


def _tail_at(q: Array, groups: int, dof: float) -> Array:
    spread, weight = _scale(dof)
    return np.asarray(np.clip(1.0 - _range_cdf(q[:, None] * spread, groups) @ weight, 0.0, 1.0))


def _tails_at(q: Array, groups: int, dof: float) -> Array:
    def exact(some: Array) -> Array:
        return _tail_at(some, groups, dof)

    return exact(q) if q.size <= _GRID else _tabulated(exact, largest=float(q.max()))(q)


@lru_cache(maxsize=4096)
def _quantile_at(confidence: float, groups: int, dof: float) -> float:
    return _falling_root(lambda q: _tail_at(q, groups, dof), 1.0 - confidence)


def _dof_nodes(dof: Array) -> Array:
    """Degrees of freedom whose inverses are Chebyshev nodes between the inverses of the smallest and the largest."""
    low, high = 1.0 / dof.max(), 1.0 / dof.min()
    return np.asarray(1.0 / (0.5 * (low + high) + 0.5 * (high - low) * chebyshev.chebpts1(_DEGREE + 1)))


def _folded(dof: Array, among: Array) -> Array:
    low, high = 1.0 / among.max(), 1.0 / among.min()
    return np.asarray((2.0 / dof - low - high) / (high - low))


def _tail_between_nodes(q: Array, dof: Array, groups: int) -> Array:
    """Tails at many different degrees of freedom: linear in 1 / dof between tables at `_FEW` of them."""
    node = np.linspace(1.0 / dof.max(), 1.0 / dof.min(), _FEW)
    place = (1.0 / dof - node[0]) / (node[1] - node[0])
    left = np.minimum(place.astype(np.intp), _FEW - 2)
    largest = float(q.max())
    tail = np.zeros(q.shape)
    for number in range(_FEW):
        degree = 1.0 / float(node[number]) if node[number] > 0.0 else np.inf
        table = _tabulated(partial(_tail_at, groups=groups, dof=degree), largest=largest)
        for share, mine in ((1.0 - (place - left), left == number), (place - left, left == number - 1)):
            tail[mine] += share[mine] * table(q[mine])
    return tail


# ---- many against one reference


def _loadings(sizes: ArrayLike, reference_size: float) -> tuple[Array, Array]:
    """The different roots of the correlation of two comparisons with one reference, and how often each occurs."""
    others = np.atleast_1d(np.asarray(sizes, dtype=float))
    loading, count = np.unique(np.sqrt(others / (others + reference_size)), return_counts=True)
    return loading, count.astype(float)


def _dunnett_tail_at(t: Array, loadings: Array, counts: Array, dof: float) -> Array:
    spread, scale_weight = _scale(dof)
    common, weight = _normal_nodes()
    bound = (t[:, None] * spread)[:, :, None]
    inside = np.ones((t.size, spread.size, common.size))
    for loading, count in zip(loadings, counts, strict=True):
        rest = np.sqrt(1.0 - loading * loading)
        within = special.ndtr((loading * common + bound) / rest) - special.ndtr((loading * common - bound) / rest)
        inside *= within**count
    return np.asarray(np.clip(1.0 - (inside @ weight) @ scale_weight, 0.0, 1.0))


# ---- small numerical tools


def _tabulated(exact: Callable[[Array], Array], *, largest: float, steps: int = _GRID) -> Callable[[Array], Array]:
    """A quick form of a falling tail: exact on a grid of log(1 + q) up to `largest`, its log cubic in between."""
    step = np.log1p(min(max(largest, 1.0), _LARGEST)) / (steps - 1)
    value = np.log(np.maximum(exact(np.expm1(step * np.arange(steps))), 1e-16))
    slope = np.gradient(value, edge_order=2)

    def quick(q: Array) -> Array:
        return np.asarray(np.clip(np.exp(_hermite(np.log1p(q) / step, value, slope)), 0.0, 1.0))

    return quick


def _hermite(place: Array, value: Array, slope: Array) -> Array:
    """Cubic steps through `value` with `slope` (a step) at whole numbers; beyond the last it stays at the last."""
    held = np.minimum(place, value.size - 1.000001)
    left = held.astype(np.intp)
    x = held - left
    y = 1.0 - x
    ends = y * y * (1.0 + 2.0 * x) * value[left] + x * x * (1.0 + 2.0 * y) * value[left + 1]
    return np.asarray(ends + x * y * (y * slope[left] - x * slope[left + 1]))


def _falling_root(tail: Callable[[Array], Array], level: float) -> float:
    """Where a falling `tail` reaches `level`: a bracket by doubling, 8 even steps inside it six times, then a line."""
    high = 2.0
    while float(tail(np.array([high]))[0]) > level and high < 1e6:
        high *= 2.0
    low = 0.0 if high <= 2.0 else high / 2.0
    for _ in range(6):
        grid = np.linspace(low, high, 9)
        value = tail(grid)
        first = max(int(np.argmax(value <= level)), 1)
        low, high = float(grid[first - 1]), float(grid[first])
    above, below = float(value[first - 1]), float(value[first])
    return low + (high - low) * (above - level) / (above - below)


def _phi(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))


def _frozen(values: Array) -> Array:
    values.flags.writeable = False
    return values
