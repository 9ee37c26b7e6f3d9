"""A mixed model: fixed groups, and levels (batches, rigs, days) whose effects scatter about nought.

y = X b + sum over levels Z_j a_j + e; a_j with variance s_j^2, e with variance s^2. The variances are found by
restricted maximum likelihood, the groups by generalised least squares. In a balanced nested design the estimates are
those of the analysis of variance as long as none of them would be negative.

1. H. D. Patterson, R. Thompson, Biometrika 58 (1971), 545-554: restricted maximum likelihood.
2. F. E. Satterthwaite, Biometrics Bull. 2 (1946), 110-114: degrees of freedom of a sum of variances.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize

from analysis.errors import OutOfRange
from analysis.results import Measured

Array = NDArray[np.float64]

_SMALLEST, _LARGEST = -9.5, 9.5  # ln of a level's standard deviation over the residual one
_NOTHING = 1e-4  # a level's standard deviation over the residual one that counts as nought


@dataclass(frozen=True, slots=True)
class Mixed:
    """What was fitted, in the unit of the values: `groups` the means, `sd` the levels' standard deviations.

    `covariance` is that of the means; `residual` the standard deviation within all levels; `log_likelihood` the
    restricted one.
    """

    names: tuple[str, ...]
    means: Array
    covariance: Array
    dof: Array
    sd: Mapping[str, float]
    residual: float
    log_likelihood: float

    def mean(self, name: str) -> Measured:
        """The mean of one group."""
        place = self.names.index(name)
        u = math.sqrt(float(self.covariance[place, place]))
        return Measured(float(self.means[place]), u, float(self.dof[place]))

    def difference(self, first: str, second: str) -> Measured:
        """`first` less `second`; what both share of a level cancels."""
        i, j = self.names.index(first), self.names.index(second)
        own = self.covariance
        u = math.sqrt(max(float(own[i, i] + own[j, j] - 2.0 * own[i, j]), 0.0))
        return Measured(float(self.means[i] - self.means[j]), u, float(min(self.dof[i], self.dof[j])))


def fit_mixed(values: ArrayLike, *, group: Sequence[str], levels: Mapping[str, Sequence[str]]) -> Mixed:
    """Group means and the levels' scatter by restricted maximum likelihood. [1]

    Parameters: `values` (n,), one for each application; `group` (n,) the fixed group each belongs to; `levels` name ->
    (n,) the batch, rig or day of each. A level with one entry, with one for every value, or whose entries are the
    groups again (one batch for each sample) tells nothing and is left out; the degrees of freedom are those of the
    between-level means where a level scatters. [2]
    Raises OutOfRange for unequal lengths, values that are no numbers, or fewer values than groups and one.
    """
    y = np.asarray(values, dtype=float)
    names = tuple(dict.fromkeys(group))
    _check(y, group, levels, len(names))
    fixed = _table(group, names)
    kept = {name: _table(codes, tuple(dict.fromkeys(codes))) for name, codes in levels.items()}
    kept = {name: table for name, table in kept.items() if _tells(table, fixed)}
    tables = [table @ table.T for table in kept.values()]
    scale = float(np.std(y)) or 1.0
    centred = (y - y.mean()) / scale
    ratios = _best(centred, fixed, tables)
    fit = _generalised(centred, fixed, _shape(tables, ratios))
    means = y.mean() + scale * fit.means
    residual = scale * math.sqrt(fit.variance)
    sd = {name: float(ratio) * residual if ratio > _NOTHING else 0.0 for name, ratio in zip(kept, ratios, strict=True)}
    found = {name: sd.get(name, 0.0) for name in levels}
    degrees = _degrees(fixed, kept, found, y.size - len(names))
    covariance = scale**2 * fit.variance * fit.inverse
    likelihood = fit.likelihood - (y.size - len(names)) * math.log(scale)
    return Mixed(names, means, covariance, degrees, found, residual, likelihood)


@dataclass(frozen=True, slots=True)
class _Fit:
    means: Array
    inverse: Array
    variance: float
    likelihood: float


def _best(y: Array, fixed: Array, tables: Sequence[Array]) -> Array:
    """The ratio of each level's standard deviation to the residual one that makes the values most likely."""
    if not tables:
        return np.zeros(0)

    def lack(logs: Array) -> float:
        return -_generalised(y, fixed, _shape(tables, np.exp(logs))).likelihood

    bounds = [(_SMALLEST, _LARGEST)] * len(tables)
    close = {"ftol": 1e-14, "gtol": 1e-9}
    found = [
        optimize.minimize(  # type: ignore[call-overload]
            lack, np.full(len(tables), begin), jac="3-point", method="L-BFGS-B", bounds=bounds, options=close
        )
        for begin in (-1.0, 1.0)
    ]
    return np.asarray(np.exp(min(found, key=lambda one: float(one.fun)).x))


def _shape(tables: Sequence[Array], ratios: Array) -> Array:
    size = tables[0].shape[0] if tables else 0
    total = np.eye(size) if size else np.zeros((0, 0))
    for table, ratio in zip(tables, ratios, strict=True):
        total = total + ratio**2 * table
    return total


def _generalised(y: Array, fixed: Array, shape: Array) -> _Fit:
    """Generalised least squares with the residual variance profiled out."""
    n, p = fixed.shape
    root = linalg.cholesky(shape, lower=True) if shape.size else np.eye(n)
    x = linalg.solve_triangular(root, fixed, lower=True)
    z = linalg.solve_triangular(root, y, lower=True)
    normal = x.T @ x
    inverse = np.linalg.inv(normal)
    means = inverse @ (x.T @ z)
    rest = z - x @ means
    variance = max(float(rest @ rest) / (n - p), 1e-24)
    logs = 2.0 * float(np.log(np.diag(root)).sum()) + float(np.linalg.slogdet(normal)[1])
    likelihood = -0.5 * ((n - p) * (1.0 + math.log(2.0 * math.pi * variance)) + logs)
    return _Fit(means, np.asarray(inverse, dtype=float), variance, likelihood)


def _degrees(fixed: Array, tables: Mapping[str, Array], sd: Mapping[str, float], rest: int) -> Array:
    """The fewest that a scattering level leaves to each group: its entries there and elsewhere less the groups."""
    found = np.full(fixed.shape[1], float(max(rest, 1)))
    for name, table in tables.items():
        if sd[name] > 0.0:
            seen = fixed.T @ table > 0.0
            nested = bool(np.all(seen.sum(axis=0) == 1))
            left = table.shape[1] - fixed.shape[1] if nested else table.shape[1] - 1
            found = np.minimum(found, float(max(left, 1)))
    return found


def _tells(table: Array, fixed: Array) -> bool:
    """Whether a level's scatter can be told from the groups and from the rest."""
    if not 1 < table.shape[1] < table.shape[0]:
        return False
    both = int(np.linalg.matrix_rank(np.hstack([fixed, table])))
    return bool(fixed.shape[1] < both < table.shape[0])


def _table(codes: Sequence[str], names: Sequence[str]) -> Array:
    place = {name: number for number, name in enumerate(names)}
    table = np.zeros((len(codes), len(names)))
    table[np.arange(len(codes)), [place[code] for code in codes]] = 1.0
    return table


def _check(y: Array, group: Sequence[str], levels: Mapping[str, Sequence[str]], groups: int) -> None:
    for name, codes in {"group": group, **levels}.items():
        if len(codes) != y.size:
            raise OutOfRange(f"{name} has {len(codes)} entries for {y.size} values; expected one for each value")
    if not np.isfinite(y).all():
        raise OutOfRange("a value is no number; expected numbers only")
    if y.size <= groups:
        raise OutOfRange(f"{y.size} values in {groups} groups leave no scatter; expected more values than groups")
