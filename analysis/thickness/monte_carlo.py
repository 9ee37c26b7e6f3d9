"""The line of a thickness series by Monte Carlo: the points drawn again and again, each set fitted anew. [1]

1. JCGM 101:2008.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.results import Array, Measured, Propagated, Trials
from analysis.statistics.errors_in_both import Inflation, inflation, lines_through
from analysis.statistics.monte_carlo import propagate
from analysis.thickness.line import Line
from analysis.thickness.points import Points


@dataclass(frozen=True, slots=True)
class _Drawn:
    """A figure of the line, as a function of intercepts and slopes, ready to be drawn.

    The points are drawn about the line: each one's own errors, by Student's law (one scale for all of them) where
    `wide` says that their scatter counts, and the errors that several share, each drawn once for all of them.
    """

    points: Points
    line: Line
    wide: Inflation | None
    figure: Callable[[Array, Array], Array]

    def __call__(self, rng: np.random.Generator, size: int) -> Array:
        points, fit = self.points, self.line.fit
        n = points.gap.size
        factor = np.ones((size, 1)) if self.wide is None else self.wide.drawn(rng, size)
        x = points.gap + factor * points.u_gap * rng.standard_normal((size, n))
        on_line = fit.intercept + fit.slope * points.gap
        y = on_line + factor * points.u_impedance * rng.standard_normal((size, n))
        for one in points.shared:
            error = rng.standard_normal((size, 1))
            x, y = x + error * one.on_gap, y + error * one.on_impedance
        return self.figure(*lines_through(x, y=y, u_x=points.u_gap, u_y=points.u_impedance))


def propagate_line(points: Points, line: Line, trials: Trials) -> Mapping[str, Propagated]:
    """Slope, contact impedance and conductivity by Monte Carlo, beside the linear law; all with one seed.

    A conductivity is the inverse of a slope that may come near zero, and points that are few may be far off their
    line: the standard deviation then need not exist, so only the intervals decide.
    """
    wide = inflation(line.fit.chi2, dof=line.fit.dof)
    figures: Mapping[str, tuple[Callable[[Array, Array], Array], Measured]] = {
        "slope": (lambda _, slope: slope, line.slope),
        "contact_impedance": (lambda intercept, _: intercept, line.intercept),
        "conductivity": (lambda _, slope: 1.0 / slope, line.conductivity),
    }
    return {
        key: propagate(
            _Drawn(points, line, wide if line.seen[key] else None, figure),
            trials=replace(trials, most=min(trials.most, _MOST)),
            linear=linear,
            moments=False,
        )
        for key, (figure, linear) in figures.items()
    }


_MOST = 500_000  # lines: each is found by repetition
