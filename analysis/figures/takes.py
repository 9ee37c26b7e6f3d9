"""What it would take, as a picture: the curve of conductivity against gap that is level with the target."""

from __future__ import annotations

import numpy as np

from analysis.comparing.level import Build, Level
from analysis.comparing.takes import needed_conductivity
from analysis.drawing import FigureSpec, Series, Table, axis_of, numbers
from analysis.results import Measured
from analysis.units import format_measured, from_si, shown, shown_difference

_POINTS = 60


def takes_figure(level: Level) -> FigureSpec:
    """The layer, the two ways to the curve that is level with the target, and the target's own layer beside it."""
    mine, takes = level.sample, level.takes
    contact = 0.0 if mine.contact is None else mine.contact.value
    needed_gap = takes.gap.measured.value if takes.gap else mine.gap.value
    low, high = 0.5 * min(needed_gap, mine.gap.value), 1.4 * max(needed_gap, mine.gap.value)
    gaps = np.linspace(low, high, _POINTS)
    curve = needed_conductivity(gaps, target=takes.target.value, contact=contact)
    series = [_curve(gaps, curve, level)] if np.isfinite(curve).all() else []
    kind = "contact not parted from the bulk" if mine.contact is None else "contact parted from the bulk"
    return FigureSpec(
        kind="takes",
        title=f"What it would take for {mine.name} to draw level with {level.target.name}",
        x=axis_of("gap"),
        panels=(axis_of("conductivity"),),
        series=(_place(mine, "points"), _place(level.target, "hollow"), *series, *_ways(level)),
        table=_table(level),
        notes=(level.sentence, f"{kind}; bars: 95 % interval; on the curve both rise alike"),
    )


def _curve(gaps: np.ndarray, curve: np.ndarray, level: Level) -> Series:
    x = numbers(from_si(gaps, "um", "gap"))
    return Series(f"level with {level.target.name}", x, numbers(curve), "line")


def _place(layer: Build, style: str) -> Series:
    return Series(
        layer.name,
        numbers([shown(layer.gap.value, "gap")]),
        numbers([shown(layer.conductivity.value, "conductivity")]),
        "points" if style == "points" else "hollow",
        half=numbers([shown_difference(layer.gap.expanded, "gap")]),
        half_y=numbers([shown_difference(layer.conductivity.expanded, "conductivity")]),
        labels=(layer.name,),
    )


def _ways(level: Level) -> list[Series]:
    """From the layer up to the conductivity it needs, and across to the gap it needs."""
    takes, mine = level.takes, level.sample
    if takes.reached or takes.conductivity is None or takes.gap is None:
        return []
    gap, k = shown(mine.gap.value, "gap"), shown(mine.conductivity.value, "conductivity")
    more, less = takes.conductivity.measured.value, takes.gap.measured.value
    return [
        Series("by conductivity", numbers([gap, gap]), numbers([k, shown(more, "conductivity")]), "dashes"),
        Series("by gap", numbers([gap, shown(less, "gap")]), numbers([k, k]), "dashes"),
    ]


def _table(level: Level) -> Table:
    takes, mine = level.takes, level.sample
    rows = [(one.name, *_cells(one.gap, one.conductivity)) for one in (mine, level.target)]
    if takes.conductivity is not None and takes.gap is not None:
        rows.append((f"{mine.name}, by conductivity", *_cells(mine.gap, takes.conductivity.measured)))
        rows.append((f"{mine.name}, by gap", *_cells(takes.gap.measured, mine.conductivity)))
    return Table(("Layer", axis_of("gap").title, axis_of("conductivity").title), tuple(rows))


def _cells(gap: Measured, conductivity: Measured) -> tuple[str, str]:
    first, second = (
        format_measured(shown(one.value, key), shown_difference(one.expanded, key))
        for one, key in ((gap, "gap"), (conductivity, "conductivity"))
    )
    return first, second
