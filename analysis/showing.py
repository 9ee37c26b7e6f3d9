"""Figures as a notebook shows them: one line a figure, rows, and a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.errors import OutOfRange
from analysis.output import figure_entry
from analysis.quantities import QUANTITIES
from analysis.results import Measured
from analysis.units import format_measured, pretty, shown, shown_difference


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with its name: it prints as `12.31 ± 0.42 mm²·K/W (k = 2.03)`.

    `measured` holds value, u and dof in SI; `value`, `u` and `expanded` are in `unit`, the unit people see.
    """

    key: str
    measured: Measured

    @property
    def label(self) -> str:
        return QUANTITIES[self.key].label

    @property
    def unit(self) -> str:
        return QUANTITIES[self.key].shown

    @property
    def value(self) -> float:
        return shown(self.measured.value, self.key)

    @property
    def u(self) -> float:
        return shown_difference(self.measured.u, self.key)

    @property
    def expanded(self) -> float:
        return shown_difference(self.measured.expanded, self.key)

    def __str__(self) -> str:
        text = f"{format_measured(self.value, self.expanded)} {pretty(self.unit)}".rstrip()
        return f"{text} (k = {self.measured.k:.2f})" if "±" in text else text

    def __repr__(self) -> str:
        return f"{self.label}: {self}"


@dataclass(frozen=True, slots=True)
class Plot:
    """A drawing as SVG: a notebook shows it, `save` writes it."""

    svg: str

    def _repr_svg_(self) -> str:
        return self.svg

    def save(self, path: Path | str) -> None:
        """Write the drawing to a file, which any browser opens."""
        Path(path).write_text(self.svg, encoding="utf-8")


def plot_of(shown_result: Any, figure: str = "") -> Plot:
    """What a result has to draw: points, cycles or an approach of an outcome, else the budget of a figure.

    Parameters: `figure` a key whose budget is asked for; without it, of a result that draws nothing else, the first.
    Raises OutOfRange where there is nothing to draw.
    """
    from analysis.figures.budget import budget_figure
    from analysis.figures.study import drawable, study_figure
    from analysis.figures.svg import figure_svg

    if not figure and drawable(data := shown_result.to_dict()):
        return Plot(figure_svg(study_figure(data)))
    key = figure or next(iter(shown_result.budget), "")
    one = figure_of(shown_result.figures, key)
    lines = shown_result.budget.get(key, ())
    if not lines:
        raise OutOfRange(f"the {one.label.lower()} has no budget to draw")
    return Plot(figure_svg(budget_figure(lines, figure=key, measured=one.measured)))


def figure_of(figures: Mapping[str, Measured], key: str) -> Figure:
    """One of several figures by its key; OutOfRange names those there are."""
    if key not in figures:
        raise OutOfRange(f"there is no figure '{key}'; there are: {', '.join(figures) or 'none'}")
    return Figure(key, figures[key])


def rows_of(figures: Mapping[str, Measured]) -> list[dict[str, Any]]:
    """One row a figure: its key, its label, and value, u, U95, k, dof in the unit people see."""
    return [
        {"figure": key, "label": QUANTITIES[key].label} | figure_entry(measured, key)
        for key, measured in figures.items()
    ]


def frame_of(figures: Mapping[str, Measured]) -> Any:
    """The rows as a polars DataFrame; it is empty, with its columns, where there is no figure."""
    import polars as pl

    schema: dict[str, Any] = {"figure": pl.String, "label": pl.String, "value": pl.Float64, "unit": pl.String}
    schema |= dict.fromkeys(("u", "dof", "k", "U95"), pl.Float64)
    return pl.DataFrame(rows_of(figures), schema=schema)
