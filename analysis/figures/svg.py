"""A figure as SVG for print; the only importer of matplotlib, which is imported when first needed (half a second).

The same figure gives the same bytes: no date, fixed identifiers, text as outlines so that no font is missing.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.drawing import Axis, FigureSpec, Mark, Series

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#F0E442", "#000000")  # Okabe and Ito
QUIET = "#8A8A8A"
_RULES: Any = {"svg.hashsalt": "figure", "svg.fonttype": "path", "font.size": 8.0, "axes.linewidth": 0.6}


def figure_svg(spec: FigureSpec, *, width: float = 6.3) -> str:
    """The figure as SVG text, `width` in inches (the default fits a page of A4)."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with mpl.rc_context(_RULES):
        figure = Figure(figsize=(width, _height(spec)), layout="constrained")
        canvas: Any = FigureCanvasSVG(figure)
        panels = figure.subplots(len(spec.panels), 1, sharex=True, squeeze=False)[:, 0]
        for number, (axes, axis) in enumerate(zip(panels, spec.panels, strict=True)):
            _panel(axes, axis, spec, number)
        _set_axis(panels[-1], spec.x, "x")
        written = io.StringIO()
        canvas.print_svg(written, metadata={"Date": None, "Title": spec.title})
    return written.getvalue()


def _height(spec: FigureSpec) -> float:
    rows = max((len(panel.categories) for panel in spec.panels), default=0)
    return 1.0 + 0.2 * rows if rows else 3.8 if len(spec.panels) == 1 else 0.6 + 1.3 * len(spec.panels)


def _panel(axes: Axes, axis: Axis, spec: FigureSpec, number: int) -> None:
    places = {name: place for place, name in enumerate(axis.categories)}
    loud = [one.name for one in spec.series if not one.quiet]
    for one in spec.series:
        if one.panel == number:
            _draw(axes, one, places, _colour(one, loud, spec.kind))
    for mark in spec.marks:
        if mark.panel in (None, number):
            _mark(axes, mark, named=number == 0)
    _set_axis(axes, axis, "y")
    axes.grid(visible=True, color="#DDDDDD", linewidth=0.4)
    axes.set_axisbelow(True)
    if len(loud) > 1 and any(one.panel == number and not one.quiet for one in spec.series):
        axes.legend(fontsize=7, frameon=False, loc="best")


def _colour(one: Series, loud: list[str], kind: str) -> str:
    if one.quiet:
        return QUIET
    return COLOURS[0] if kind == "ranking" else COLOURS[loud.index(one.name) % len(COLOURS)]


def _draw(axes: Axes, one: Series, places: dict[str, int], colour: str) -> None:
    x, y = np.asarray(one.x, dtype=float), _rows(one, places)
    name = None if one.quiet and one.style == "dashes" else one.name
    if one.style in ("line", "dashes"):
        axes.plot(x, y, color=colour, label=name, linewidth=0.9, linestyle="-" if one.style == "line" else ":")
    elif one.style == "bars":
        axes.barh(y, x, color=colour, label=name, height=0.6)
    else:
        _points(axes, one, x, y, colour)
    for place, text in enumerate(one.labels):
        if text and places:
            axes.text(1.01, y[place], text, transform=axes.get_yaxis_transform(), va="center")
        elif text:
            axes.annotate(text, (x[place], y[place]), textcoords="offset points", xytext=(0, 6), ha="center")


def _points(axes: Axes, one: Series, x: Any, y: Any, colour: str) -> None:
    span = one.style == "spans"
    half, half_y = (None if each is None else np.nan_to_num(each) for each in (one.half, one.half_y))
    looks: dict[str, Any] = {"ecolor": colour, "elinewidth": 3.0 if span else 0.9, "capsize": 0 if span else 2}
    marker = "" if span else "o"
    size = 2.0 if one.quiet else 5.0
    filled = "none" if one.style == "hollow" else colour
    axes.errorbar(
        x,
        y,
        xerr=half,
        yerr=half_y,
        linestyle="none",
        label=one.name,
        color=colour,
        marker=marker,
        ms=size,
        mfc=filled,
        **looks,
    )


def _rows(one: Series, places: dict[str, int]) -> Any:
    if places:
        return np.array([places[str(name)] for name in one.y], dtype=float)
    return np.asarray(one.y, dtype=float)


def _mark(axes: Axes, mark: Mark, *, named: bool) -> None:
    if mark.kind == "words":
        if mark.at is not None:
            axes.text(float(mark.at[0]), float(mark.at[1]), mark.text, fontsize=6, color="#555555")
        return
    if mark.kind == "band":
        (axes.axvspan if mark.along == "x" else axes.axhspan)(mark.start, mark.end, color=COLOURS[2], alpha=0.15, lw=0)
    else:
        (axes.axvline if mark.along == "x" else axes.axhline)(mark.start, color=QUIET, linewidth=0.8, linestyle="--")
    if mark.text and named and mark.along == "x":
        middle = 0.5 * (mark.start + mark.end)
        axes.text(middle, 1.01, mark.text, transform=axes.get_xaxis_transform(), ha="center", fontsize=6)


def _set_axis(axes: Axes, axis: Axis, letter: str) -> None:
    getattr(axes, f"set_{letter}label")(axis.title)
    if axis.categories:
        axes.set_yticks(range(len(axis.categories)), axis.categories)
        axes.set_ylim(len(axis.categories) - 0.5, -0.5)
    if axis.log:
        getattr(axes, f"set_{letter}scale")("log")
    if axis.limits is not None:
        getattr(axes, f"set_{letter}lim")(*axis.limits)
