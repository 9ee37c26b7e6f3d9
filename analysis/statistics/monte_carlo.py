"""Propagation of distributions by a Monte Carlo method, and whether the linear law of propagation would do.

    trials = Trials(seed=1)
    found = propagate(lambda rng, n: rng.normal(10.0, 0.1, n) / rng.normal(2.0, 0.1, n), trials=trials)
    found.low, found.high  # holds 95 % of what was drawn, as much left out below as above

The same seed gives the same digits. Trials are made in blocks until the results have settled. [1]

1. JCGM 101:2008, Supplement 1 to the Guide: propagation of distributions using a Monte Carlo method.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import OutOfRange
from analysis.results import Array, Measured, Propagated, Trials
from analysis.statistics.autocorrelation import Mean
from analysis.statistics.uncertainty import Estimate, Source, Together, drawn

Draw = Callable[[np.random.Generator, int], ArrayLike]
"""From a generator and a number n to n values of the quantity, shape (n,)."""

_BLOCK = 10_000  # trials in a block, at least [1] (7.9.4 b)
_FINITE = 2.0  # degrees of freedom above which Student's t has a standard deviation


def numerical_tolerance(u: float, *, digits: int = 2) -> float:
    """Half of the last of `digits` significant digits of a standard uncertainty `u`, in its unit. [1]

    Formula: u = c * 10^l with a whole number c of `digits` digits; tolerance = 10^l / 2. Zero for u = 0.

    1. JCGM 101:2008, 7.9.2.
    """
    if digits < 1:
        raise OutOfRange(f"digits: expected at least 1, found {digits}")
    if u == 0.0 or not math.isfinite(u):
        return 0.0
    mantissa = f"{abs(u):.{digits - 1}e}"  # rounds first: 0.0996 has the two digits 1.0e-1
    return 0.5 * float(10.0 ** (int(mantissa.split("e")[1]) - digits + 1))


def symmetric_interval(ordered: ArrayLike, *, confidence: float = 0.95) -> tuple[float, float]:
    """The interval of values, in rising order, that leaves out as many below as above. [1] (JCGM 101:2008, 7.7.2)"""
    values, inside = _ordered(ordered, confidence)
    first = (values.size - inside + 1) // 2 - 1
    first = max(first, 0)
    return float(values[first]), float(values[min(first + inside, values.size - 1)])


def shortest_interval(ordered: ArrayLike, *, confidence: float = 0.95) -> tuple[float, float]:
    """The shortest interval that holds the share `confidence` of values in rising order. [1] (JCGM 101:2008, 7.7.4)"""
    values, inside = _ordered(ordered, confidence)
    inside = min(inside, values.size - 1)
    first = int(np.argmin(values[inside:] - values[: values.size - inside]))
    return float(values[first]), float(values[first + inside])


def _ordered(values: ArrayLike, confidence: float) -> tuple[Array, int]:
    """Values as an array, and how many of them an interval holds."""
    if not 0.0 < confidence < 1.0:
        raise OutOfRange(f"confidence: expected between 0 and 1, found {confidence:g}")
    found = np.asarray(values, dtype=np.float64)
    if found.ndim != 1 or found.size < 2:
        raise OutOfRange(f"an interval needs a row of at least two values, found the shape {found.shape}")
    return found, math.floor(confidence * found.size + 0.5)


def propagate(
    draw: Draw, *, trials: Trials | None = None, linear: Measured | None = None, moments: bool = True
) -> Propagated:
    """Draw a quantity until its value, uncertainty and interval have settled; see `Trials`. [1]

    Parameters: `draw` gives n values of the quantity; `linear` what the law of propagation of uncertainty says of it,
    to be validated; `moments` False where the quantity has no standard deviation (an input with two degrees of freedom
    or fewer), so that only the interval can settle: value is then the median and u is nan.
    Formula: blocks of at least 10 000 trials are added until twice the standard deviation of the blocks' averages of
    each of value, u, low and high is within the tolerance times `trials.share`. The results come from all the trials.
    Raises OutOfRange where the draws are not finite or have another shape.

    1. JCGM 101:2008, 7.9.4 and 8.1.
    """
    asked = trials or Trials()
    rng = np.random.default_rng(asked.seed)
    size = max(_BLOCK, math.ceil(100.0 / (1.0 - asked.confidence)))
    blocks: list[Array] = []
    seen: list[Sequence[float]] = []
    settled, doubt = False, math.inf
    while not settled and (len(blocks) + 1) * size <= max(asked.most, 2 * size):
        values = _checked(draw(rng, size), size)
        blocks.append(values)
        seen.append(_summary(values, asked.confidence, moments))
        if len(blocks) > 1:
            table = np.array(seen)
            doubt = 2.0 * float((table.std(axis=0, ddof=1) / math.sqrt(len(blocks))).max())
            u = float(table[:, 1].mean()) if moments else _as_normal(table, asked.confidence)
            settled = doubt <= asked.share * numerical_tolerance(u, digits=asked.digits)
    return _propagated(np.concatenate(blocks), asked, linear, moments, settled=settled, doubt=doubt)


def _checked(values: ArrayLike, size: int) -> Array:
    found = np.array(np.broadcast_to(np.asarray(values, dtype=np.float64), (size,)))
    if not np.isfinite(found).all():
        raise OutOfRange("the quantity is not finite for some of the values drawn; a divisor may come too near to zero")
    found.sort()
    return found


def _summary(ordered: Array, confidence: float, moments: bool) -> Sequence[float]:
    """Value, standard uncertainty and interval of values in rising order."""
    low, high = symmetric_interval(ordered, confidence=confidence)
    if not moments:
        return float(ordered[ordered.size // 2]), 0.0, low, high
    return float(ordered.mean()), float(ordered.std(ddof=1)), low, high


def _as_normal(table: Array, confidence: float) -> float:
    """The standard uncertainty of a normal distribution with the same interval."""
    from analysis.statistics.student import coverage_factor

    return float((table[:, 3] - table[:, 2]).mean()) / (2.0 * coverage_factor(math.inf, confidence=confidence))


def _propagated(
    values: Array, asked: Trials, linear: Measured | None, moments: bool, *, settled: bool, doubt: float
) -> Propagated:
    values.sort()
    value, u, low, high = _summary(values, asked.confidence, moments)
    size = u if moments else _as_normal(np.array([[value, u, low, high]]), asked.confidence)
    half = math.nan if linear is None else _half(linear, asked.confidence)
    return Propagated(
        value=value,
        u=u if moments else math.nan,
        low=low,
        high=high,
        shortest=shortest_interval(values, confidence=asked.confidence),
        trials=values.size,
        seed=asked.seed,
        digits=asked.digits,
        confidence=asked.confidence,
        tolerance=numerical_tolerance(size, digits=asked.digits),
        doubt=doubt,
        settled=settled,
        linear_low=math.nan if linear is None else linear.value - half,
        linear_high=math.nan if linear is None else linear.value + half,
    )


def _half(linear: Measured, confidence: float) -> float:
    """Half of the linear law's interval."""
    from analysis.statistics.student import coverage_factor

    return coverage_factor(linear.dof, confidence=confidence) * linear.u


def draw_error(source: Source, *, rng: np.random.Generator, size: int) -> Array:
    """Errors of one source about zero, shape (size,), in its own unit, by its `shape`. [1] (JCGM 101:2008, 6.4)

    Student's t with finite degrees of freedom is scaled by u itself, as 6.4.9.2 does: its standard deviation is then
    larger than u by the root of dof / (dof - 2).
    """
    if source.shape == "rectangular":
        return rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), size) * source.u
    if source.shape == "triangular":
        return rng.triangular(-1.0, 0.0, 1.0, size) * (source.u * math.sqrt(6.0))
    if source.shape == "arcsine":
        return np.sin(rng.uniform(0.0, 2.0 * math.pi, size)) * (source.u * math.sqrt(2.0))
    if source.shape != "normal":
        raise OutOfRange(
            f"'{source.shape}' is no distribution known here; expected normal, rectangular, triangular or arcsine"
        )
    if math.isfinite(source.dof):
        return rng.standard_t(source.dof, size) * source.u
    return rng.standard_normal(size) * source.u


@dataclass(frozen=True, slots=True)
class Drawing:
    """An estimate ready to be drawn: with the readings' scatter, what they scatter in together, and what is added."""

    estimate: Estimate
    scatter: Mean | None = None
    together: Together | None = None
    extra: tuple[Source, ...] = ()

    def __call__(self, rng: np.random.Generator, size: int) -> Array:
        """`size` values of the estimate, each source drawn once for all places it stands in."""
        joint = self._scattered(rng, size)
        errors = {
            source: draw_error(source, rng=rng, size=size)
            for source in self.estimate.gradient
            if source.u > 0.0 and source not in joint
        }
        values = np.array(np.broadcast_to(drawn(self.estimate, errors | joint), (size,)))
        for source in self.extra:
            values += draw_error(source, rng=rng, size=size) if source.u > 0.0 else 0.0
        return values

    @property
    def moments(self) -> bool:
        """Whether the estimate has a standard deviation: no Student's t in it has two degrees of freedom or less."""
        parts = [(slope * source.u, source.dof) for source, slope in self.estimate.gradient.items()]
        parts += [(source.u, source.dof) for source in self.extra]
        if self.scatter is not None:
            parts.append((self.scatter.u, self.scatter.dof))
        return all(dof > _FINITE for u, dof in parts if u != 0.0)

    def _scattered(self, rng: np.random.Generator, size: int) -> dict[Source, Array]:
        """Errors of the means recorded side by side, as they scatter together, as wide as the figure's Type A part."""
        together, scatter = self.together, self.scatter
        if together is None or scatter is None or not together.sources or scatter.u == 0.0:
            return {}
        coefficients = together.coefficients(self.estimate)
        covariance = together.rows.T @ together.rows
        whole = math.sqrt(max(float(coefficients @ covariance @ coefficients), 0.0))
        if whole == 0.0:
            return {}
        variances, axes = np.linalg.eigh(covariance)
        mixing = np.sqrt(np.maximum(variances, 0.0))[:, None] * axes.T
        errors = rng.standard_normal((size, variances.size)) @ mixing * (scatter.u / whole)
        if math.isfinite(scatter.dof):
            errors *= np.sqrt(scatter.dof / rng.chisquare(scatter.dof, size))[:, None]
        return dict(zip(together.sources, errors.T, strict=True))


def propagate_estimate(drawing: Drawing, *, linear: Measured | None = None, trials: Trials | None = None) -> Propagated:
    """Monte Carlo for an estimate: the arithmetic it was made by, on drawn inputs; see `propagate`."""
    return propagate(drawing, trials=trials, linear=linear, moments=drawing.moments)


def propagate_budget(
    value: float,
    parts: Iterable[tuple[float, float]],
    *,
    linear: Measured | None = None,
    trials: Trials | None = None,
) -> Propagated:
    """Monte Carlo for a value with independent additive contributions (u, dof), as lines of a budget are."""
    sources = tuple(Source("part", abs(u), dof=dof) for u, dof in parts)
    return propagate_estimate(Drawing(Estimate(value), extra=sources), linear=linear, trials=trials)
