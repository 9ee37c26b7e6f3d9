"""Gap against apparent conductivity on logarithmic axes: shows at a glance why a thin, poorer conductor can win.

Lines of equal impedance, gap / conductivity, are straight with a slope of one; at one heat flux they are lines of equal
temperature rise as well. Down and to the right is worse: thicker, conducting less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.drawing import FigureSpec, Mark, Series, Table, axis_of, numbers, printed
from analysis.quantities import QUANTITIES
from analysis.results import Measured
from analysis.units import format_measured, from_si, shown, shown_difference

_IMPEDANCE = printed(QUANTITIES["thermal_impedance"].shown)
_STEPS = (1.0, 2.0, 5.0)  # lines of equal impedance a decade


@dataclass(frozen=True, slots=True)
class Layer:
    """One sample's layer: gap [m], apparent conductivity [W/(m K)] and what to call it."""

    name: str
    gap: Measured
    conductivity: Measured

    @property
    def impedance(self) -> float:
        return self.gap.value / self.conductivity.value


def gap_map_figure(layers: Sequence[Layer], *, heat_flux: float | None = None) -> FigureSpec:
    """Layers on the map, with lines of equal impedance and, for a `heat_flux` [W/m2], their temperature rise.

    A layer whose gap or conductivity is not above nought has no place on logarithmic axes and is named in the notes.
    """
    placed = [layer for layer in layers if layer.gap.value > 0.0 and layer.conductivity.value > 0.0]
    lines = _iso_lines(placed, heat_flux)
    missing = [layer.name for layer in layers if layer not in placed]
    return FigureSpec(
        kind="gap_map",
        title="Gap and apparent conductivity",
        x=axis_of("gap", log=True),
        panels=(axis_of("apparent_conductivity", log=True),),
        series=(*(series for series, _ in lines), *([_points(placed)] if placed else [])),
        table=_table(layers),
        marks=tuple(mark for _, mark in lines),
        notes=(
            f"bars: 95 % interval; lines: equal impedance in {_IMPEDANCE}{_rise_note(heat_flux)}",
            *([f"not on the map (no gap above nought): {', '.join(missing)}"] if missing else []),
        ),
    )


def _points(layers: Sequence[Layer]) -> Series:
    return Series(
        "samples",
        numbers([shown(layer.gap.value, "gap") for layer in layers]),
        numbers([shown(layer.conductivity.value, "apparent_conductivity") for layer in layers]),
        half=numbers([shown_difference(layer.gap.expanded, "gap") for layer in layers]),
        half_y=numbers([shown_difference(layer.conductivity.expanded, "apparent_conductivity") for layer in layers]),
        labels=tuple(layer.name for layer in layers),
    )


def _iso_lines(layers: Sequence[Layer], heat_flux: float | None) -> list[tuple[Series, Mark]]:
    if not layers:
        return []
    gaps = _room([layer.gap.value for layer in layers])
    conductivities = _room([layer.conductivity.value for layer in layers])
    values = _round_values(gaps[0] / conductivities[1], gaps[1] / conductivities[0])
    ends = [(max(gaps[0], value * conductivities[0]), min(gaps[1], value * conductivities[1])) for value in values]
    long = [(value, end) for value, end in zip(values, ends, strict=True) if end[1] > 1.3 * end[0]]
    return [_iso_line(value, end, heat_flux) for value, end in long]


def _room(values: Sequence[float]) -> tuple[float, float]:
    """The stretch of a logarithmic axis that holds `values`, with room on both sides."""
    return min(values) / 2.5, max(values) * 2.5


def _iso_line(impedance: float, ends: tuple[float, float], heat_flux: float | None) -> tuple[Series, Mark]:
    gap = np.array(ends)
    x = numbers(from_si(gap, QUANTITIES["gap"].shown, "gap"))
    y = numbers(from_si(gap / impedance, QUANTITIES["apparent_conductivity"].shown, "apparent_conductivity"))
    text = f"{shown(impedance, 'thermal_impedance'):g}"
    if heat_flux is not None:
        text += f" / {impedance * heat_flux:.3g} K"
    return Series(text, x, y, "dashes", quiet=True), Mark("words", text=text, at=(float(x[1]), float(y[1])))


def _round_values(low: float, high: float) -> list[float]:
    """1, 2, 5, 10 ... between two impedances, round in the unit people see."""
    bottom, top = (shown(value, "thermal_impedance") for value in (low, high))
    unit = low / bottom
    decades = range(math.floor(math.log10(bottom)), math.ceil(math.log10(top)) + 1)
    values = [step * 10.0**decade for decade in decades for step in _STEPS]
    return [value * unit for value in values if bottom <= value <= top]


def _rise_note(heat_flux: float | None) -> str:
    if heat_flux is None:
        return ""
    return f" / temperature rise at {shown(heat_flux, 'heat_flux'):.4g} {printed(QUANTITIES['heat_flux'].shown)}"


def _table(layers: Sequence[Layer]) -> Table:
    units = [printed(QUANTITIES[key].shown) for key in ("gap", "apparent_conductivity", "thermal_impedance")]
    header = ("Sample", f"Gap [{units[0]}]", f"Apparent conductivity [{units[1]}]", f"Impedance [{units[2]}]")
    return Table(header, tuple(_row(layer) for layer in layers))


def _row(layer: Layer) -> tuple[str, ...]:
    gap = format_measured(shown(layer.gap.value, "gap"), shown_difference(layer.gap.expanded, "gap"))
    conductivity = format_measured(layer.conductivity.value, layer.conductivity.expanded)
    known = layer.conductivity.value > 0.0
    impedance = f"{shown(layer.impedance, 'thermal_impedance'):.4g}" if known else "-"
    return layer.name, gap, conductivity, impedance
