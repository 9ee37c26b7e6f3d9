"""What a study found, drawn from its result object: impedance against gap, an approach, cycles, or specimens' changes.

The parts of the result tell what can be drawn, not the name of the method: a new method that gives parts of the same
shape is drawn with no more ado.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from analysis.drawing import Axis, FigureSpec, Series, Table, axis_of, numbers
from analysis.errors import OutOfRange
from analysis.quantities import QUANTITIES
from analysis.statistics.student import coverage_factor

Result = Mapping[str, Any]
_LISTED = 40  # rows of a figure's own table; the result object holds all
_CHANGE = Axis("Change since the start", "%")


def drawable(result: Result) -> bool:
    """Whether the result holds a part that can be drawn."""
    return _drawer(result) is not None


def study_figure(result: Result) -> FigureSpec:
    """The figure of a study's result object; OutOfRange where it holds nothing to draw."""
    drawer = _drawer(result)
    if drawer is None:
        raise OutOfRange("the result holds neither points nor cycles that could be drawn")
    return drawer(result)


def _drawer(result: Result) -> Callable[[Result], FigureSpec] | None:
    return next((draw for holds, draw in _DRAWERS if holds(result)), None)


# Impedance against gap ------------------------------------------------------------------------------------------------


def _used(result: Result) -> list[Mapping[str, Any]]:
    rows = result.get("results")
    if not isinstance(rows, list):
        return []
    return [row for row in rows if row.get("used") and "gap" in row and "thermal_impedance" in row]


def _results(result: Result) -> FigureSpec:
    rows = _used(result)
    gap, impedance = ([row[key] for row in rows] for key in ("gap", "thermal_impedance"))
    points = Series(
        name="results",
        x=numbers([one["value"] for one in gap]),
        y=numbers([one["value"] for one in impedance]),
        half=numbers([_half(one) for one in gap]),
        half_y=numbers([_half(one) for one in impedance]),
        labels=tuple(str(row["name"]) for row in rows),
    )
    return _against_gap(points, result.get("line") or {}, notes=("bars: 95 % interval",))


def _half(figure: Mapping[str, Any]) -> float:
    """Half the 95 % interval of a figure of a result object."""
    dof = figure.get("dof")
    return float(figure["u"]) * float(figure.get("k") or coverage_factor(float("inf") if dof is None else float(dof)))


def _has_points(result: Result) -> bool:
    points = result.get("points")
    return isinstance(points, Mapping) and bool(points.get("gap_um"))


def _points(result: Result) -> FigureSpec:
    points = result["points"]
    series = Series(
        name="quasi-steady blocks",
        x=numbers(points["gap_um"]),
        y=numbers(points["thermal_impedance_mm2_K_per_W"]),
    )
    return _against_gap(series, points, notes=("each point is the mean of a short block of the run",))


def _against_gap(points: Series, line: Mapping[str, Any], *, notes: tuple[str, ...]) -> FigureSpec:
    """Points of impedance against gap, and the line from a gap of nought, where it tells the contacts."""
    slope, start = line.get("slope_mm2_K_per_W_per_um"), line.get("intercept_mm2_K_per_W")
    drawn: tuple[Series, ...] = (points,)
    if slope is not None and start is not None:
        ends = numbers([0.0, 1.05 * max(float(gap) for gap in points.x)])
        drawn = (points, Series(name="line", x=ends, y=numbers(start + slope * ends), style="line"))
    return _spec("Thermal impedance against gap", axis_of("gap"), (axis_of("thermal_impedance"),), drawn, notes)


# A rig's own figures: points and the line through them ----------------------------------------------------------------


def _has_line(result: Result) -> bool:
    points = result.get("points")
    return isinstance(points, list) and bool(points) and "units" in result


def _line(result: Result) -> FigureSpec:
    points, units = result["points"], result["units"]
    x, y = (numbers([row[key] for row in points]) for key in ("x", "y"))
    ends = numbers([float(x.min()), float(x.max())])
    # the line of the result: each point less its residual lies on it
    on = y - numbers([row["residual"] for row in points])
    slope = float(np.ptp(on) / np.ptp(x)) * (1.0 if on[x.argmax()] >= on[x.argmin()] else -1.0)
    through = Series("line", ends, numbers(float(on[x.argmin()]) + slope * (ends - ends[0])), style="line")
    drawn = (Series("settled stretches", x, y, labels=tuple(str(row["file"]) for row in points)), through)
    key = next(iter(result["figures"]), "")
    title = f"{QUANTITIES[key].label} as the slope of a line" if key in QUANTITIES else "Line through the runs"
    notes = ("each point is a settled stretch of a run; the figure is the slope",)
    return _spec(title, Axis("Temperature", units["x"]), (Axis("Reading", units["y"]),), drawn, notes)


# The course of one run ------------------------------------------------------------------------------------------------


def _has_approach(result: Result) -> bool:
    approach = result.get("approach")
    return isinstance(approach, Mapping) and bool(approach.get("gap_um"))


def _approach(result: Result) -> FigureSpec:
    approach = result["approach"]
    time = numbers(approach["time_s"])
    drawn = [Series(name="gap", x=time, y=numbers(approach["gap_um"]))]
    if approach.get("model_gap_um"):
        name = str(approach.get("model", "model"))
        drawn.append(Series(name=name, x=time, y=numbers(approach["model_gap_um"]), style="line"))
    notes = ("the model moves with the errors that all readings share, such as that of the zero",)
    return _spec("Approach to the final gap", axis_of("time"), (axis_of("gap"),), tuple(drawn), notes)


def _has_cycles(result: Result) -> bool:
    cycles = result.get("cycles")
    return isinstance(cycles, Mapping) and bool(cycles.get("soaks"))


def _cycles(result: Result) -> FigureSpec:
    soaks = result["cycles"]["soaks"]
    keys = [key for key in soaks[0] if key in QUANTITIES]
    number = numbers([row["cycle"] for row in soaks])
    drawn = tuple(
        Series(name=QUANTITIES[key].label, x=number, y=_column(soaks, key), panel=panel)
        for panel, key in enumerate(keys)
    )
    notes = ("a soak is the settled end of a cycle's hot part",)
    return _spec("Figures at each soak", Axis("Cycle"), tuple(axis_of(key) for key in keys), drawn, notes)


def _column(rows: Sequence[Mapping[str, Any]], key: str) -> Any:
    return numbers([float("nan") if row.get(key) is None else float(row[key]) for row in rows])


# Specimens ------------------------------------------------------------------------------------------------------------


def _has_specimens(result: Result) -> bool:
    rows = result.get("specimens")
    return isinstance(rows, list) and any(row.get("age_days") for row in rows)


def _specimens(result: Result) -> FigureSpec:
    drawn = tuple(
        Series(
            name=str(row["name"]),
            x=numbers(row["age_days"]),
            y=numbers(row["relative_change_percent"]),
            style="line",
        )
        for row in result["specimens"]
    )
    notes = ("each specimen against its first result in time",)
    return _spec("Each specimen against its own start", Axis("Age", "d"), (_CHANGE,), drawn, notes)


# Together -------------------------------------------------------------------------------------------------------------


def _spec(
    title: str, x: Axis, panels: tuple[Axis, ...], series: tuple[Series, ...], notes: tuple[str, ...]
) -> FigureSpec:
    return FigureSpec(
        kind="study", title=title, x=x, panels=panels, series=series, table=_table(x, panels, series), notes=notes
    )


def _table(x: Axis, panels: tuple[Axis, ...], series: tuple[Series, ...]) -> Table:
    rows = [
        (one.name, panels[one.panel].title, f"{along:.4g}", f"{value:.4g}")
        for one in series
        for along, value in list(zip(one.x, one.y, strict=True))[:_LISTED]
    ]
    return Table(("Series", "Figure", x.title, "Value"), tuple(rows))


_DRAWERS: tuple[tuple[Callable[[Result], bool], Callable[[Result], FigureSpec]], ...] = (
    (lambda result: bool(_used(result)), _results),
    (_has_points, _points),
    (_has_line, _line),
    (_has_approach, _approach),
    (_has_cycles, _cycles),
    (_has_specimens, _specimens),
)
