"""Settled stretches of rig runs as points, and the straight line through points that share their sensors."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.errors import BadSetup, Where
from analysis.results import Array, BudgetLine, Measured, Trace
from analysis.setup import RigSetup
from analysis.statistics.errors_in_both import inflation
from analysis.statistics.uncertainty import Estimate, Source, evaluate, total
from analysis.steady.plateaus import search
from analysis.steady.run import make_run
from analysis.steady.storage import heat_capacity, stored_heat
from analysis.steady.window import Rig, Window, make_window

_LEAST = 1e-12  # of the spread in y: what a point without any scatter of its own counts as


@dataclass(frozen=True, slots=True)
class Stretch:
    """A settled stretch of a run: the means of its channels, and the heat its hot block still stores."""

    file: str
    window: Window
    stored: Estimate | None


@dataclass(frozen=True, slots=True)
class Point:
    """One point: `x` and `y` with the sources they share with others, in the window they come from."""

    file: str
    x: Estimate
    y: Estimate
    window: Window


@dataclass(frozen=True, slots=True)
class Fitted:
    """y = intercept + slope x: each with its budget; the points' distances from it, and how they scatter."""

    slope: Measured
    intercept: Measured
    slope_budget: tuple[BudgetLine, ...]
    residuals: tuple[float, ...]
    chi2: float
    dof: int
    weights: Array


def stretches(traces: Sequence[Trace], *, setup: RigSetup, rig: Rig, needed: Sequence[str]) -> list[Stretch]:
    """Every settled, heated stretch of every run that has the channels needed; BadSetup where the setup lacks one."""
    listed = {channel.quantity for channel in setup.channels}
    if {"heater_voltage", "heater_current"} <= listed:
        listed.add("heater_power")
    for quantity in needed:
        if quantity not in listed:
            raise BadSetup(f"this needs a channel of {quantity}; the setup has none", where=Where(key="channel"))
    return [stretch for trace in traces for stretch in _of_run(trace, setup, rig) if stretch.window.has(*needed)]


def _of_run(trace: Trace, setup: RigSetup, rig: Rig) -> Iterable[Stretch]:
    run = make_run(trace, setup=setup)
    looked = search(run)
    capacity = heat_capacity(run, segments=looked.segments)
    for found in looked.plateaus:
        window = make_window(rig, time=run.time, signals=run.signals, rows=found.rows)
        yield Stretch(trace.file, window, stored_heat(window, capacity=capacity))


def own_scatter(window: Window, estimate: Estimate) -> float:
    """Standard uncertainty of an estimate by its own scatter and drift over its window."""
    if not window.together.sources:
        return 0.0
    scatter = window.together.scatter(estimate).u
    moved = window.together.trend(estimate) * window.together.seconds
    return math.sqrt(scatter**2 + max(moved**2 / 12.0 - scatter**2, 0.0))


def fit(points: Sequence[Point]) -> Fitted:
    """The least-squares line through points, each weighted by its own scatter. [1]

    What all points share (the calibration of a sensor) is carried through the line by its partial derivatives, so that
    an offset common to all points leaves the slope alone. Points that scatter more than their own uncertainties say
    widen the line. Needs at least three points at different x.

    1. JCGM 100:2008, 5.1 and H.3.
    """
    x, y = np.array([point.x.value for point in points]), np.array([point.y.value for point in points])
    slope = float(np.polyfit(x, y, 1)[0])
    own = np.array([own_scatter(point.window, point.y - slope * point.x) for point in points])
    own = np.maximum(own, _LEAST * max(float(np.ptp(y)), abs(float(y.mean())), 1e-300))
    weights = own**-2.0
    centre = float(weights @ x) / float(weights.sum())
    by_y = weights * (x - centre) / float(weights @ (x - centre) ** 2)
    slope = float(by_y @ y)
    level = weights / float(weights.sum()) - centre * by_y
    intercept = float(level @ y)
    residuals = y - intercept - slope * x
    chi2, dof = float(weights @ residuals**2), len(points) - 2
    shared = [_shared(point, slope) for point in points]
    measured, budget = _judged(slope, by_y, shared, own, chi2=chi2, dof=dof)
    level_measured, _ = _judged(intercept, level, shared, own, chi2=chi2, dof=dof)
    return Fitted(measured, level_measured, budget, tuple(residuals.tolist()), chi2, dof, weights)


def _shared(point: Point, slope: float) -> Estimate:
    """A point's distance from a line, with only those sources that are not its own scatter."""
    distance = point.y - slope * point.x
    own = set(point.window.together.sources)
    return Estimate(distance.value, {source: c for source, c in distance.gradient.items() if source not in own})


def _judged(
    value: float, coefficients: np.ndarray, shared: Sequence[Estimate], own: np.ndarray, *, chi2: float, dof: int
) -> tuple[Measured, tuple[BudgetLine, ...]]:
    """A coefficient of the line: the shared sources through all points, and the points' own scatter, widened."""
    common = total(one * float(c) for one, c in zip(shared, coefficients, strict=True))
    alone = math.sqrt(float(coefficients**2 @ own**2))
    u, free = inflation(chi2, dof=dof).measured_by(alone, 0.0)
    extra = (Source("scatter about the line", u, "A", free),)
    measured, budget = evaluate(Estimate(value, common.gradient), extra=extra)
    return measured, budget
