"""A run's channels over time, one panel a kind of quantity, with the settled window marked.

However long a run is, no more points are given than the width can show: in each of as many parts as there are pixels
the lowest and the highest reading are kept, so that no spike is lost. A zoom asks again for the part it shows.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from analysis.drawing import Array, Axis, FigureSpec, Mark, Series, Table, numbers, printed
from analysis.quantities import QUANTITIES
from analysis.results import Settled
from analysis.units import from_si

PANELS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Temperature rise", ("temperature_rise",)),
    ("Temperature", ("hot_temperature", "cold_temperature", "coolant_in", "coolant_out", "ambient_temperature")),
    ("Power", ("heater_power", "heat_flow", "coolant_heat_flow")),
    ("Gap", ("gap",)),
    ("Force", ("force",)),
    ("Coolant flow", ("coolant_flow",)),
)


def traces_figure(
    channels: Mapping[str, tuple[str, NDArray[np.floating]]],
    *,
    time: Array,
    settled: Settled | None = None,
    between: tuple[float, float] | None = None,
    pixels: int = 1200,
) -> FigureSpec:
    """Channels over time.

    Parameters: `channels`, name -> (quantity, values in SI of the shape of `time`); `time` [s], sorted; `settled` the
    window to mark; `between` [s] the part to show (a zoom); `pixels` the width to thin to.
    """
    part = slice(0, time.size) if between is None else slice(*_rows(time, between))
    used = [(name, keys) for name, keys in PANELS if any(quantity in keys for quantity, _ in channels.values())]
    series = [
        _line(name, quantity, time[part], values[part], panel=number, pixels=pixels)
        for number, (_, keys) in enumerate(used)
        for name, (quantity, values) in channels.items()
        if quantity in keys
    ]
    return FigureSpec(
        kind="traces",
        title="Run",
        x=Axis("Time", "s", limits=between),
        panels=tuple(Axis(name, QUANTITIES[keys[0]].shown) for name, keys in used),
        series=tuple(series),
        table=_table(series, [printed(QUANTITIES[keys[0]].shown) for _, keys in used]),
        marks=_window(settled),
        notes=(f"{time[part].size} rows, thinned to the lowest and highest in each of {pixels} parts",),
    )


def thin(time: Array, values: NDArray[np.floating], *, pixels: int) -> tuple[Array, Array]:
    """The lowest and the highest of `values` in each of `pixels` parts of the rows, with their times, in order."""
    if time.size <= 2 * pixels:
        return time, np.asarray(values, dtype=float)
    size = -(-time.size // pixels)
    padded = np.pad(np.asarray(values, dtype=float), (0, -time.size % size), constant_values=np.nan).reshape(-1, size)
    row = np.arange(len(padded)) * size
    low = np.where(np.isnan(padded), np.inf, padded).argmin(axis=1) + row
    high = np.where(np.isnan(padded), -np.inf, padded).argmax(axis=1) + row
    picked = np.unique(np.concatenate([low, high]))
    return time[picked], np.asarray(values, dtype=float)[picked]


def _line(name: str, quantity: str, time: Array, values: NDArray[np.floating], *, panel: int, pixels: int) -> Series:
    x, y = thin(time, values, pixels=pixels)
    return Series(name, numbers(x), numbers(from_si(y, QUANTITIES[quantity].shown, quantity)), "line", panel=panel)


def _rows(time: Array, between: tuple[float, float]) -> tuple[int, int]:
    """The rows between two times and one on either side, so that a line enters and leaves the picture."""
    start, end = np.searchsorted(time, between[0]), np.searchsorted(time, between[1], side="right")
    return max(int(start) - 1, 0), min(int(end) + 1, time.size)


def _window(settled: Settled | None) -> tuple[Mark, ...]:
    if settled is None or not settled.found:
        return ()
    how = "settled window, chosen by hand" if settled.chosen_by_hand else "settled window"
    return (Mark("band", start=settled.start_s, end=settled.end_s, text=how),)


def _table(series: list[Series], units: list[str]) -> Table:
    """A run has too many points to read out: for each channel its first, lowest, highest and last reading."""
    return Table(
        ("Channel", "Unit", "First", "Lowest", "Highest", "Last"),
        tuple(_summary(one, units[one.panel]) for one in series),
    )


def _summary(one: Series, unit: str) -> tuple[str, ...]:
    values = np.asarray(one.y, dtype=float)
    known = values[np.isfinite(values)]
    if not known.size:
        return one.name, unit, "-", "-", "-", "-"
    return one.name, unit, *(f"{float(each):.5g}" for each in (known[0], known.min(), known.max(), known[-1]))
