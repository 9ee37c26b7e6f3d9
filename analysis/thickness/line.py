"""The line of a thickness series: conductivity from its slope, contact impedance from its intercept."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import special

from analysis.results import Array, BudgetLine, Measured
from analysis.statistics.errors_in_both import Both, fit_both, inflation, quadratic_term
from analysis.statistics.student import two_sided_p
from analysis.thickness.points import Points

_CALLED = {"intercept": "contact_impedance"}
_AGREE = 2.0  # standard uncertainties of a difference within which two gaps count as one


@dataclass(frozen=True, slots=True)
class Line:
    """The fitted line with everything that follows from it; SI units.

    `slope` [m K/W] is the inverse of the conductivity, `intercept` [m2 K/W] the contact impedance of both faces,
    `offset` [m] the zero error that would make the intercept vanish.
    """

    fit: Both
    slope: Measured
    intercept: Measured
    conductivity: Measured
    offset: Measured
    correlation: float  # of intercept and slope
    shared_slope: float  # the part of u(slope) that more spread would not lessen, relative
    budget: dict[str, tuple[BudgetLine, ...]]
    seen: dict[str, bool]  # by figure: whether the scatter as seen counts, not the uncertainties as stated


@dataclass(frozen=True, slots=True)
class Straightness:
    """Whether a straight line will do: probabilities, nan where the points cannot tell."""

    lack_of_fit: float  # scatter against the stated uncertainties
    replicates: float  # scatter against that of results at one gap
    curvature: float
    curvature_coefficient: float  # [K/W] c in a + b d + c d^2


class Widening(Protocol):
    """How far the stated independent uncertainties are widened."""

    def measured_by(self, u_independent: float, u_common: float) -> tuple[float, float]:
        """Standard uncertainty and degrees of freedom of a figure with these two parts."""

    def seen_counts(self, u_independent: float, u_common: float) -> bool:
        """Whether the scatter as seen takes the place of the stated uncertainties."""


def fit_series(points: Points, *, widen: Callable[[Both], Widening] | None = None) -> Line:
    """The line through the points; OutOfRange where they make none.

    `widen` tells from the fit how far the independent uncertainties are widened; as for single specimens without it.
    The independent parts of the uncertainties weight the points and show their scatter; what several points share is
    carried through the line afterwards, so that a common error neither weights nor hides anything.
    """
    fit = fit_both(points.gap, y=points.impedance, u_x=points.u_gap, u_y=points.u_impedance)
    wide: Widening = inflation(fit.chi2, dof=fit.dof) if widen is None else widen(fit)
    k = 1.0 / fit.slope
    rows = {  # derivative by (intercept, slope)
        "slope": np.array([0.0, 1.0]),
        "intercept": np.array([1.0, 0.0]),
        "conductivity": np.array([0.0, -(k**2)]),
        "offset": np.array([-k, fit.intercept * k**2]),
    }
    values = {"slope": fit.slope, "intercept": fit.intercept, "conductivity": k, "offset": -fit.intercept * k}
    found = {key: _measured(values[key], points, fit, wide, row) for key, row in rows.items()}
    _, shared_slope = _parts(points, fit, rows["slope"])
    return Line(
        fit=fit,
        slope=found["slope"],
        intercept=found["intercept"],
        conductivity=found["conductivity"],
        offset=found["offset"],
        correlation=_correlation(points, fit, found["intercept"].u, found["slope"].u),
        shared_slope=shared_slope / abs(fit.slope),
        budget={
            "conductivity": _budget(points, fit, rows["conductivity"], found["conductivity"]),
            "contact_impedance": _budget(points, fit, rows["intercept"], found["intercept"]),
        },
        seen={_CALLED.get(key, key): wide.seen_counts(*_parts(points, fit, row)) for key, row in rows.items()},
    )


def _parts(points: Points, fit: Both, row: Array) -> tuple[float, float]:
    """The independent and the shared part of a figure's standard uncertainty, before any inflation."""
    own = np.concatenate(((fit.by_x @ row) * points.u_gap, (fit.by_y @ row) * points.u_impedance))
    return float(np.linalg.norm(own)), float(np.linalg.norm(_shared(points, fit, row)))


def _shared(points: Points, fit: Both, row: Array) -> Array:
    """What each shared error adds to a figure, signed."""
    adds = [float((fit.by_x @ row) @ one.on_gap + (fit.by_y @ row) @ one.on_impedance) for one in points.shared]
    return np.array(adds)


def _measured(value: float, points: Points, fit: Both, wide: Widening, row: Array) -> Measured:
    return Measured(value, *wide.measured_by(*_parts(points, fit, row)))


def _correlation(points: Points, fit: Both, u_intercept: float, u_slope: float) -> float:
    """Of intercept and slope, the shared errors included and the independent part as wide as in the figures."""
    by = np.vstack((fit.by_x * points.u_gap[:, None], fit.by_y * points.u_impedance[:, None]))
    own = by.T @ by
    adds = np.column_stack([_shared(points, fit, row) for row in np.eye(2)])
    shared = adds.T @ adds
    factors = [max(u**2 - shared[i, i], 0.0) / own[i, i] for i, u in enumerate((u_intercept, u_slope))]
    covariance = math.sqrt(factors[0] * factors[1]) * own[0, 1] + shared[0, 1]
    return float(np.clip(covariance / (u_intercept * u_slope), -1.0, 1.0))


def _budget(points: Points, fit: Both, row: Array, figure: Measured) -> tuple[BudgetLine, ...]:
    """Each shared error and the points' own scatter, as parts of the figure's variance."""
    adds = _shared(points, fit, row)
    own = math.sqrt(max(figure.u**2 - float(adds @ adds), 0.0))
    lines = [
        BudgetLine(one.source, abs(u), u**2 / figure.u**2, "B", common=one.common)
        for one, u in zip(points.shared, adds.tolist(), strict=True)
        if u
    ]
    lines.append(BudgetLine("points of the series, each its own part", own, (own / figure.u) ** 2, "A", figure.dof))
    return tuple(sorted(lines, key=lambda line: (-line.u, line.source)))


def straightness(points: Points, line: Line) -> Straightness:
    """Lack of fit against the stated uncertainties and against replicates, and a term in the square of the gap."""
    fit = line.fit
    u = 1.0 / np.sqrt(fit.weights)
    n = points.gap.size
    coefficient, curvature = math.nan, math.nan
    if n >= 4 and len(groups(points)) >= 4:
        coefficient, u_c = quadratic_term(points.gap, y=points.impedance, u=u)
        left = max(fit.chi2 - (coefficient / u_c) ** 2, 0.0)
        scale = math.sqrt(max(left / (n - 3), 1.0))
        curvature = float(two_sided_p(coefficient / (u_c * scale), dof=n - 3 if scale > 1.0 else math.inf))
    return Straightness(fit.lack_of_fit, _replicates(points, line), curvature, coefficient)


def groups(points: Points) -> tuple[tuple[int, ...], ...]:
    """The points by gap: those that agree with the one before within their own uncertainties stand together."""
    order = np.argsort(points.gap, kind="stable").tolist()
    found: list[list[int]] = [[order[0]]]
    for one in order[1:]:
        first = found[-1][0]
        apart = points.gap[one] - points.gap[first]
        if apart <= _AGREE * math.hypot(points.u_gap[one], points.u_gap[first]):
            found[-1].append(one)
        else:
            found.append([one])
    return tuple(tuple(group) for group in found)


def _replicates(points: Points, line: Line) -> float:
    """F test of the groups' means about the line against the scatter inside the groups; nan without replicates."""
    together = groups(points)
    inside = points.gap.size - len(together)
    between = len(together) - 2
    if inside < 1 or between < 1:
        return math.nan
    weights, residuals = line.fit.weights, line.fit.residuals
    pure = 0.0
    for group in together:
        members = list(group)
        w, r = weights[members], residuals[members]
        pure += float(w @ (r - float(w @ r) / float(w.sum())) ** 2)
    if pure <= 0.0:
        return math.nan
    ratio = max(line.fit.chi2 - pure, 0.0) / between / (pure / inside)
    return float(special.fdtrc(between, inside, ratio))
