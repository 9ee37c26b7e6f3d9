"""The law of propagation of uncertainty, by carrying every partial derivative along with the value.

An `Estimate` is a value and its partial derivatives with respect to the inputs it was made from. Two estimates made
from one input are thus correlated as they should be: what they share cancels in their difference. [1]

1. JCGM 100:2008, clause 5 and annex G.4.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.results import Array, BudgetLine, Measured
from analysis.statistics.autocorrelation import Mean, means_of


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """One input: its name, standard uncertainty, type (A or B), degrees of freedom, and what it is common to.

    `shape` is its distribution where it is drawn: "normal" (Student's t where the degrees of freedom are finite),
    "rectangular", "triangular" or "arcsine"; `u` is the standard deviation of each. [1] (JCGM 101:2008, table 1)
    """

    name: str
    u: float
    kind: str = "B"
    dof: float = math.inf
    common: str = ""
    shape: str = "normal"


class Estimate:
    """A value and its partial derivatives; arithmetic follows the chain rule.

    An estimate remembers what it was `made` from (an operation and its two operands), so that the same arithmetic can
    be done again on drawn values, see `drawn` and `analysis.statistics.monte_carlo`.
    """

    __slots__ = ("gradient", "made", "value")

    def __init__(self, value: float, gradient: Mapping[Source, float] | None = None, made: Made | None = None) -> None:
        self.value = value
        self.gradient: Mapping[Source, float] = gradient or {}
        self.made = made

    @classmethod
    def measured(cls, value: float, source: Source) -> Estimate:
        """An input: `value` known through one source."""
        return cls(value, {source: 1.0})

    def _joined(
        self, other: Estimate | float, value: float, mine: float, theirs: float, operation: Operation
    ) -> Estimate:
        gradient = {source: slope * mine for source, slope in self.gradient.items()}
        if isinstance(other, Estimate):
            for source, slope in other.gradient.items():
                gradient[source] = gradient.get(source, 0.0) + slope * theirs
        return Estimate(value, gradient, (operation, self, other))

    def __add__(self, other: Estimate | float) -> Estimate:
        return self._joined(other, self.value + value_of(other), 1.0, 1.0, operator.add)

    __radd__ = __add__

    def __sub__(self, other: Estimate | float) -> Estimate:
        return self._joined(other, self.value - value_of(other), 1.0, -1.0, operator.sub)

    def __rsub__(self, other: float) -> Estimate:
        return self._joined(other, other - self.value, -1.0, 0.0, _taken_from)

    def __neg__(self) -> Estimate:
        return self._joined(0.0, -self.value, -1.0, 0.0, _taken_from)

    def __mul__(self, other: Estimate | float) -> Estimate:
        return self._joined(other, self.value * value_of(other), value_of(other), self.value, operator.mul)

    __rmul__ = __mul__

    def __truediv__(self, other: Estimate | float) -> Estimate:
        divisor = value_of(other)
        return self._joined(other, self.value / divisor, 1.0 / divisor, -self.value / divisor**2, operator.truediv)

    def __rtruediv__(self, other: float) -> Estimate:
        return self._joined(other, other / self.value, -other / self.value**2, 0.0, _divided_into)

    def through(self, value: float, slope: float, function: Callable[[Array], Array] | None = None) -> Estimate:
        """A function of this estimate alone: its value here and its derivative here.

        `function`, which takes an array, is what drawn values go through; without it they go along the tangent.
        """
        mine = self.value
        straight = function or (lambda drawn: value + slope * (drawn - mine))
        return self._joined(0.0, value, slope, 0.0, lambda drawn, _: straight(drawn))


Operation = Callable[[Any, Any], Any]
Made = tuple[Operation, Estimate, Estimate | float]


def _taken_from(one: Any, other: Any) -> Any:
    return other - one


def _divided_into(one: Any, other: Any) -> Any:
    return other / one


def drawn(estimate: Estimate, errors: Mapping[Source, Array]) -> Array | float:
    """The estimate worked out again with every source in error by what was drawn for it, shapes (n,).

    A source that nothing was drawn for counts as exact. The arithmetic is that by which the estimate was made, not its
    derivatives; an estimate that was made in no arithmetic (an input) is its value plus its errors.
    """
    found: Array | float = _drawn(estimate, errors, {})
    return found


def _drawn(estimate: Estimate, errors: Mapping[Source, Array], known: dict[int, Any]) -> Any:
    found = known.get(id(estimate))
    if found is None:
        if estimate.made is None:
            terms = (slope * errors[source] for source, slope in estimate.gradient.items() if source in errors)
            found = sum(terms, estimate.value)
        else:
            operation, one, other = estimate.made
            right = _drawn(other, errors, known) if isinstance(other, Estimate) else other
            found = operation(_drawn(one, errors, known), right)
        known[id(estimate)] = found
    return found


def value_of(number: Estimate | float) -> float:
    return number.value if isinstance(number, Estimate) else number


def total(estimates: Iterable[Estimate]) -> Estimate:
    """The sum of estimates; nothing gives an exact zero."""
    result = Estimate(0.0)
    for estimate in estimates:
        result = result + estimate
    return result


def weighted_mean(estimates: Iterable[Estimate]) -> Estimate:
    """Mean of estimates of one thing, weighted by 1/u^2; the plain mean where any of them is exact."""
    items = list(estimates)
    variances = [sum((slope * source.u) ** 2 for source, slope in item.gradient.items()) for item in items]
    weights = [1.0 / variance for variance in variances] if all(v > 0.0 for v in variances) else [1.0] * len(items)
    return total(item * (weight / sum(weights)) for item, weight in zip(items, weights, strict=True))


@dataclass(frozen=True, slots=True)
class Together:
    """Inputs recorded side by side: the means of the columns of `rows`, shape (n, m), about zero and without trend.

    The Type A part of a figure is found from the one series the figure would have made in time, row by row, to first
    order. So the correlation between columns counts in full, and so does the memory of the series. [1]
    `slopes`, shape (m,), is each column's trend per second; `seconds` the time the rows cover.

    1. JCGM 100:2008, H.2.4 (approach 2, in first order the same as the covariance matrix of approach 1).
    """

    sources: tuple[Source, ...] = ()
    rows: Array = field(default_factory=lambda: np.zeros((0, 0)))
    slopes: Array = field(default_factory=lambda: np.zeros(0))
    seconds: float = 0.0
    fitted: int = 1

    def coefficients(self, estimate: Estimate) -> Array:
        return np.array([estimate.gradient.get(source, 0.0) for source in self.sources])

    def scatters(self, estimates: Sequence[Estimate]) -> list[Mean]:
        """Type A uncertainty of each estimate and its effective rows; exact ones where nothing was recorded."""
        if not self.sources or not estimates:
            return [Mean(0.0, 0.0, 0.0, math.inf) for _ in estimates]
        coefficients = np.array([self.coefficients(estimate) for estimate in estimates])
        return means_of(coefficients @ self.rows.T, fitted=self.fitted)

    def scatter(self, estimate: Estimate) -> Mean:
        """Type A uncertainty of one estimate and its effective rows."""
        return self.scatters([estimate])[0]

    def trend(self, estimate: Estimate) -> float:
        """The trend of an estimate over the window, in its unit per second."""
        return float(self.slopes @ self.coefficients(estimate)) if self.sources else 0.0


def evaluate(
    estimate: Estimate, *, scatter: Mean | None = None, joint: Iterable[Source] = (), extra: Iterable[Source] = ()
) -> tuple[Measured, tuple[BudgetLine, ...]]:
    """Combined standard uncertainty, effective degrees of freedom and the budget, largest line first. [1]

    Parameters: `scatter` the Type A part that the inputs `joint` have together, see `Together`; `extra` further
    contributions in the estimate's own unit. Formula: u^2 = sum of (c_i u_i)^2 over independent inputs;
    dof = u^4 / sum of (c_i u_i)^4 / dof_i. Lines of one name are added in quadrature; the shares add up to one.

    1. JCGM 100:2008, equations 10, 13 and G.2b.
    """
    counted = set(joint)
    parts = [(source, slope) for source, slope in estimate.gradient.items() if source not in counted]
    parts += [(source, 1.0) for source in extra]
    if scatter is not None:
        parts.append((Source("scatter of the readings", scatter.u, "A", scatter.dof), 1.0))
    variance = math.fsum((slope * source.u) ** 2 for source, slope in parts)
    return Measured(estimate.value, math.sqrt(variance), welch_satterthwaite(parts)), _lines(parts, variance)


def welch_satterthwaite(parts: Iterable[tuple[Source, float]]) -> float:
    """Effective degrees of freedom of independent contributions (source, sensitivity). [1] (JCGM 100:2008, G.2b)"""
    items = [(slope * source.u, source.dof) for source, slope in parts]
    fourth = math.fsum(u**2 for u, _ in items) ** 2
    below = math.fsum(u**4 / dof for u, dof in items if math.isfinite(dof) and u != 0.0)
    return fourth / below if below > 0.0 else math.inf


def _lines(parts: list[tuple[Source, float]], variance: float) -> tuple[BudgetLine, ...]:
    grouped: dict[tuple[str, str, str], list[tuple[Source, float]]] = {}
    for source, slope in parts:
        grouped.setdefault((source.name, source.kind, source.common), []).append((source, slope))
    lines = [
        BudgetLine(
            source=name,
            u=math.sqrt(math.fsum((slope * source.u) ** 2 for source, slope in members)),
            share=math.fsum((slope * source.u) ** 2 for source, slope in members) / variance if variance else 0.0,
            kind=kind,
            dof=welch_satterthwaite(members),
            sensitivity=members[0][1] if len(members) == 1 else None,
            common=common,
        )
        for (name, kind, common), members in grouped.items()
        if any(slope * source.u for source, slope in members)
    ]
    return tuple(sorted(lines, key=lambda line: (-line.u, line.source)))
