"""A figure as plotly reads it: plain lists and dicts, made without importing plotly.

Colours are those of M. Okabe and K. Ito, Color Universal Design (2008), which people who confuse red and green tell
apart. `dark=None` leaves the colours to the page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.drawing import Axis, FigureSpec, Mark, Series

LIGHT = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#F0E442", "#000000")
DARK = ("#56B4E9", "#E69F00", "#009E73", "#CC79A7", "#D55E00", "#0072B2", "#F0E442", "#FFFFFF")
QUIET = "#8A8A8A"
_MOST_BESIDE = 120  # labels beside rows; with more they show when a row is pointed at
_SPACE = 0.05  # between panels, of the height


def figure_json(spec: FigureSpec, *, dark: bool | None = False) -> dict[str, Any]:
    """`{"data": [...], "layout": {...}, "title", "notes", "table"}`, ready for JSON: no nan, no infinity."""
    palette = None if dark is None else DARK if dark else LIGHT
    ink = None if dark is None else "#EEEEEE" if dark else "#1A1A1A"
    return {
        "data": [_trace(one, spec, palette, number) for number, one in enumerate(spec.series)],
        "layout": _layout(spec, ink),
        "title": spec.title,
        "notes": list(spec.notes),
        "table": {"header": list(spec.table.header), "rows": [list(row) for row in spec.table.rows]},
    }


def _trace(one: Series, spec: FigureSpec, palette: Sequence[str] | None, number: int) -> dict[str, Any]:
    colour = _colour(one, spec, palette, number)
    trace: dict[str, Any] = {
        "name": one.name,
        "x": _values(one.x),
        "y": _values(one.y),
        "yaxis": _name("y", one.panel),
        "showlegend": len(spec.series) > 1 and not (one.quiet and one.style == "dashes"),
    }
    trace |= _BARS if one.style == "bars" else {"type": "scatter", "mode": _mode(one)}
    trace |= _looks(one, colour)
    if one.half is not None:
        trace["error_x"] = _error(one.half, one, colour)
    if one.half_y is not None:
        trace["error_y"] = _error(one.half_y, one, colour)
    if any(one.labels):
        trace |= {"text": list(one.labels), "textposition": "top center"}
    if any(one.labels) and spec.panels[one.panel].categories:
        trace |= {"mode": "markers", "hovertemplate": "%{y}: %{x} %{text}<extra></extra>"}
    return trace


_BARS = {"type": "bar", "orientation": "h"}


def _mode(one: Series) -> str:
    lines = one.style in ("line", "dashes")
    return "lines" if lines else "markers+text" if any(one.labels) else "markers"


def _looks(one: Series, colour: str | None) -> dict[str, Any]:
    painted = {} if colour is None else {"color": colour}
    if one.style == "line":
        return {"line": {"width": 1.5} | painted, "connectgaps": False}
    if one.style == "dashes":
        return {"line": {"width": 1, "dash": "dot"} | painted, "hoverinfo": "skip"}
    if one.style == "bars":
        return {"marker": painted}
    size = 5 if one.quiet else 1 if one.style == "spans" else 10
    symbol = "circle-open" if one.style == "hollow" else "circle"
    return {"marker": {"size": size, "symbol": symbol, "opacity": 0.6 if one.quiet else 1.0} | painted}


def _colour(one: Series, spec: FigureSpec, palette: Sequence[str] | None, number: int) -> str | None:
    if one.quiet:
        return QUIET
    if palette is None:
        return None
    if spec.kind == "ranking":
        return palette[0]
    loud = [place for place, each in enumerate(spec.series) if not each.quiet]
    return palette[loud.index(number) % len(palette)]


def _error(half: NDArray[np.float64], one: Series, colour: str | None) -> dict[str, Any]:
    thick = one.style == "spans"
    looks: dict[str, Any] = {"thickness": 5 if thick else 1.5, "width": 0 if thick else 4}
    if colour is not None:
        looks["color"] = colour
    return {"type": "data", "array": [0.0 if each is None else each for each in _values(half)]} | looks


def _layout(spec: FigureSpec, ink: str | None) -> dict[str, Any]:
    count = len(spec.panels)
    height = (1.0 - _SPACE * (count - 1)) / max(count, 1)
    layout: dict[str, Any] = {
        "xaxis": _axis(spec.x) | {"anchor": _name("y", count - 1)},
        "hovermode": "x unified" if spec.kind == "traces" else "closest",
        "shapes": [_shape(mark, count, height) for mark in spec.marks if mark.kind != "words"],
        "annotations": [*(_words(mark, spec) for mark in spec.marks if mark.text), *_beside(spec)],
        "height": _height(spec),
        "showlegend": len(spec.series) > 1,
        "legend": {"orientation": "h", "x": 0.0, "yref": "container", "y": 0.0, "yanchor": "bottom"},
        "margin": {"l": 70, "r": 70, "t": 34, "b": 96 if len(spec.series) > 1 else 56},
    }
    for number, panel in enumerate(spec.panels):
        top = 1.0 - number * (height + _SPACE)
        layout[_axis_name("y", number)] = _axis(panel) | {"domain": [max(round(top - height, 4), 0.0), round(top, 4)]}
    if ink is not None:
        layout |= {"font": {"color": ink}, "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)"}
    return layout


def _height(spec: FigureSpec) -> int:
    rows = max((len(panel.categories) for panel in spec.panels), default=0)
    return 130 + 28 * rows if rows else 130 + (420 if len(spec.panels) == 1 else 170 * len(spec.panels))


def _axis(axis: Axis) -> dict[str, Any]:
    found: dict[str, Any] = {"title": {"text": axis.title}, "automargin": True}
    if axis.categories:
        names = list(axis.categories)
        return found | {"type": "category", "categoryorder": "array", "categoryarray": names, "autorange": "reversed"}
    if axis.log:
        found["type"] = "log"
    if axis.limits is not None:
        found["range"] = [math.log10(end) if axis.log else end for end in axis.limits]
    return found


def _shape(mark: Mark, count: int, height: float) -> dict[str, Any]:
    other = "y" if mark.along == "x" else "x"
    low, high = 0.0, 1.0
    if mark.along == "x" and mark.panel is not None and count > 1:
        high = 1.0 - mark.panel * (height + _SPACE)
        low = high - height
    where = {f"{mark.along}0": mark.start, f"{mark.along}1": mark.end, f"{other}0": low, f"{other}1": high}
    along = _name("y", mark.panel or 0) if mark.along == "y" else "x"
    shape = where | {f"{mark.along}ref": along, f"{other}ref": "paper", "layer": "below"}
    if mark.kind == "band":
        return shape | {"type": "rect", "fillcolor": LIGHT[2], "opacity": 0.15, "line": {"width": 0}}
    return shape | {"type": "line", "line": {"width": 1, "dash": "dash", "color": QUIET}}


def _words(mark: Mark, spec: FigureSpec) -> dict[str, Any]:
    plain: dict[str, Any] = {"text": mark.text, "showarrow": False, "font": {"size": 11}}
    if mark.kind == "words" and mark.at is not None:
        x, y = (
            _on_axis(value, axis) for value, axis in zip(mark.at, (spec.x, spec.panels[mark.panel or 0]), strict=True)
        )
        return plain | {"x": x, "y": y, "xref": "x", "yref": _name("y", mark.panel or 0), "xanchor": "left"}
    middle = 0.5 * (mark.start + mark.end)
    if mark.along == "x":
        return plain | {"x": middle, "y": 1.0, "xref": "x", "yref": "paper", "yanchor": "bottom"}
    return plain | {"x": 1.0, "y": middle, "xref": "paper", "yref": _name("y", mark.panel or 0), "xanchor": "right"}


def _beside(spec: FigureSpec) -> list[dict[str, Any]]:
    """Labels of points in rows, such as letters, in a column at the right edge."""
    place = {"x": 1.0, "xref": "paper", "xanchor": "left", "showarrow": False, "font": {"size": 13}}
    return [
        place | {"y": name, "yref": _name("y", one.panel), "text": f" {label}"}
        for one in spec.series
        if spec.panels[one.panel].categories and len(one.labels) <= _MOST_BESIDE
        for name, label in zip(one.y, one.labels, strict=False)
        if label
    ]


def _on_axis(value: float | str, axis: Axis) -> float | str:
    """Annotations stand on a logarithmic axis by their logarithm, unlike points."""
    return math.log10(value) if axis.log and isinstance(value, int | float) else value


def _name(letter: str, number: int) -> str:
    return letter if number == 0 else f"{letter}{number + 1}"


def _axis_name(letter: str, number: int) -> str:
    return f"{letter}axis" if number == 0 else f"{letter}axis{number + 1}"


def _values(values: NDArray[np.float64] | Sequence[str]) -> list[Any]:
    """Plain numbers to seven digits, None where there is none; words as they are."""
    if not isinstance(values, np.ndarray):
        return list(values)
    return [float(f"{each:.7g}") if math.isfinite(each) else None for each in values.tolist()]
