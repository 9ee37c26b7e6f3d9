"""What a figure shows, apart from who draws it: axes, series, marks, notes, and the same as a table.

Values are in the units people see. One `FigureSpec` is drawn on screen by `analysis.figures.plotly` and for print by
`analysis.figures.svg`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.quantities import QUANTITIES

Array = NDArray[np.float64]
Style = Literal["points", "hollow", "line", "dashes", "bars", "spans"]


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: what it is called, its unit, whether it is logarithmic, or the `categories` it lists (first on top)."""

    label: str
    unit: str = ""
    log: bool = False
    categories: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None

    @property
    def title(self) -> str:
        """Label and unit: "Gap [um]"."""
        return f"{self.label} [{printed(self.unit)}]" if self.unit else self.label


@dataclass(frozen=True, slots=True)
class Series:
    """Points, a line, bars or spans: `x` and `y` of one length (numbers or, on an axis of categories, words).

    `half` are half-widths of intervals along x (`across=False`) or y; nan where there is none. A span is the interval
    alone, thick, without its point. A `quiet` series stands back.
    """

    name: str
    x: Array | tuple[str, ...]
    y: Array | tuple[str, ...]
    style: Style = "points"
    half: Array | None = None
    half_y: Array | None = None
    labels: tuple[str, ...] = ()
    panel: int = 0
    quiet: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """A band along x or y (a settled window, a tolerance), a line (a limit), or words at a point."""

    kind: Literal["band", "line", "words"]
    along: Literal["x", "y"] = "x"
    start: float = 0.0
    end: float = 0.0
    text: str = ""
    at: tuple[float | str, float | str] | None = None  # of words
    panel: int | None = None  # None: all panels


@dataclass(frozen=True, slots=True)
class Table:
    """The figure's content in rows, for those who read rather than look."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class FigureSpec:
    """A figure: `panels` are y axes one above another over one x axis, the first on top."""

    kind: str
    title: str
    x: Axis
    panels: tuple[Axis, ...]
    series: tuple[Series, ...]
    table: Table
    marks: tuple[Mark, ...] = ()
    notes: tuple[str, ...] = ()  # n, what the intervals mean, the conditions


def printed(unit: str) -> str:
    """A unit as print has it: `mm^2*K/W` is mm²·K/W, `um` µm, `degC` °C."""
    text = re.sub(r"\bum\b", "µm", unit.replace("degC", "°C"))
    return text.replace("^2", "²").replace("^3", "³").replace("*", "·")


def axis_of(quantity: str, *, log: bool = False) -> Axis:
    """The axis of a quantity of the glossary."""
    entry = QUANTITIES[quantity]
    return Axis(entry.label, entry.shown, log)


def numbers(values: Sequence[float] | Array) -> Array:
    """A read-only array of floats."""
    array = np.array(values, dtype=float)
    array.flags.writeable = False
    return array
