"""A control chart: points in the order they came, limits of the first phase, what broke a rule ringed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.drawing import Array, Axis, FigureSpec, Mark, Series, Table, numbers
from analysis.quality.control import ControlChart, Phase, individuals, ranges_moving, weighted_average
from analysis.quality.run_rules import RULE_SETS, signals


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """One point: the code it is known by, its day, its value in the unit shown."""

    code: str
    day: str
    value: float


def control_figure(points: Sequence[ControlPoint], *, axis: Axis, phase: Phase, rules: str = "zones") -> FigureSpec:
    """The figure of points on the `axis` of what is watched: single values, moving ranges and the weighted average.

    `phase` is in the unit shown; `phase.points` of the points are its own, the later ones are watched.
    """
    values = [point.value for point in points]
    broken = _broken(values, phase, rules)
    number = numbers(np.arange(1.0, len(values) + 1.0))
    charts = (
        individuals(values, phase=phase),
        ranges_moving(values, phase=phase),
        weighted_average(values, phase=phase),
    )
    return FigureSpec(
        kind="control",
        title=f"Control chart of {axis.label.lower()}",
        x=Axis("Point"),
        panels=(axis, Axis("Moving range", axis.unit), Axis("Weighted average", axis.unit)),
        series=(*_single(points, number, charts[0], broken), *_range(number, charts[1]), *_average(number, charts[2])),
        marks=(Mark("band", "x", start=0.5, end=phase.points + 0.5, text="first phase"),),
        table=Table(("Point", "Record", "Day", "Value", "Rule broken"), tuple(_rows(points, broken))),
        notes=_notes(phase, rules),
    )


def _broken(values: Sequence[float], phase: Phase, rules: str) -> dict[int, str]:
    found: dict[int, str] = {}
    for signal in signals(values, level=phase.level, sigma=phase.sigma, rules=rules):
        found[signal.point] = "; ".join(filter(None, (found.get(signal.point, ""), signal.rule)))
    return found


def _single(
    points: Sequence[ControlPoint], number: Array, chart: ControlChart, broken: dict[int, str]
) -> tuple[Series, ...]:
    labels = tuple(f"{point.code}, {point.day}" for point in points)
    at = sorted(broken)
    rings = Series(
        "rule broken",
        numbers(number[at]),
        numbers(chart.points[at]),
        "hollow",
        labels=tuple(f"{points[i].code}: {broken[i]}" for i in at),
    )
    drawn = Series("single values", number, numbers(chart.points), "points", labels=labels)
    return (drawn, *((rings,) if at else ()), *_limits(number, chart, panel=0))


def _range(number: Array, chart: ControlChart) -> tuple[Series, ...]:
    return (
        Series("moving ranges", number[1:], numbers(chart.points), "points", panel=1),
        *_limits(number[1:], chart, panel=1),
    )


def _average(number: Array, chart: ControlChart) -> tuple[Series, ...]:
    return (
        Series("weighted average", number, numbers(chart.points), "line", panel=2),
        *_limits(number, chart, panel=2),
    )


def _limits(number: Array, chart: ControlChart, *, panel: int) -> tuple[Series, ...]:
    return (
        Series("level", number, numbers(chart.centre), "line", panel=panel, quiet=True),
        Series("upper limit", number, numbers(chart.upper), "dashes", panel=panel, quiet=True),
        Series("lower limit", number, numbers(chart.lower), "dashes", panel=panel, quiet=True),
    )


def _rows(points: Sequence[ControlPoint], broken: dict[int, str]) -> list[tuple[str, ...]]:
    return [
        (str(i + 1), point.code, point.day, f"{point.value:.5g}", broken.get(i, "")) for i, point in enumerate(points)
    ]


def _notes(phase: Phase, rules: str) -> tuple[str, ...]:
    every = RULE_SETS[rules].false_signal_every
    return (
        f"limits from {phase.points} points of the first phase; later points do not move them",
        f"{RULE_SETS[rules].name}: a false signal about every {every:.0f} points while nothing is wrong",
    )
