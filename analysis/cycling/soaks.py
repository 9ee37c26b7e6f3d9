"""The figures of each cycle at soak, and the full budget of the last one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import numpy as np

from analysis.cycling.finding import Cycles
from analysis.results import Array, Input
from analysis.statistics.uncertainty import Estimate, Source, Together
from analysis.steady.blocks import Rows, Signal, divided
from analysis.steady.figures import Figures, Unrest, find_figures
from analysis.steady.gap import Reference, find_gap
from analysis.steady.heat import find_heat
from analysis.steady.inputs import inputs_of
from analysis.steady.run import Run
from analysis.steady.segments import Segment
from analysis.steady.storage import DOUBT, heat_capacity
from analysis.steady.window import Rig, Window, make_window

_FIRST = 3  # cycles that the heat capacity is looked for in
_COOLANT = ("coolant_in", "coolant_out", "coolant_flow")


@dataclass(frozen=True, slots=True)
class Soaks:
    """One row a cycle, nan where a figure cannot be found: `values` by quantity, SI; `moving` [K] over each soak."""

    time: Array  # [s] middle of each soak
    values: Mapping[str, Array]
    moving: Array  # what the rise changes by over the soak
    capacity: float | None


def find_soaks(run: Run, *, rig: Rig, cycles: Cycles, reference: Reference | None) -> Soaks:
    """Means over each soak, turned into figures by the same formulas as a settled plateau."""
    halves = _halves(cycles)
    means = {
        quantity: [_means(signal, halves) for signal in signals]
        for quantity, signals in run.signals.items()
        if quantity not in _COOLANT or rig.setup.heat_flow == "coolant" or quantity == "coolant_in"
    }
    capacity = heat_capacity(run, segments=_segments(cycles))
    middle = 0.5 * (run.time[cycles.soak] + run.time[cycles.soak_end - 1])
    seconds = run.time[cycles.soak_end - 1] - run.time[cycles.soak]
    hot = _slope(means["hot_temperature"], seconds)
    rise = (hot - _slope(means["cold_temperature"], seconds)) * seconds
    values: dict[str, Array] = {}
    for places in _alike(rig, means, cycles.count):
        window = _window(run, cycles, means, places)
        found = _figures(rig, window, stored=_stored(capacity, hot[places]), reference=reference)
        for name, figure in found.items():
            values.setdefault(name, np.full(cycles.count, np.nan))[places] = figure
    return Soaks(middle, dict(sorted(values.items())), rise, capacity)


def _alike(rig: Rig, means: Mapping[str, list[Array]], count: int) -> list[Rows]:
    """The cycles in groups that are worked out at once: all that lack no reading together, the others one by one.

    A coolant's properties are looked up for one temperature at a time.
    """
    whole = np.ones(count, dtype=bool)
    for members in means.values():
        for member in members:
            whole &= np.isfinite(member[2])
    if rig.setup.heat_flow == "coolant":
        whole[:] = False
    together = np.flatnonzero(whole)
    return [*([together] if together.size else []), *(np.array([row]) for row in np.flatnonzero(~whole))]


def soak_figures(
    run: Run, *, rig: Rig, cycles: Cycles, row: int, reference: Reference | None, capacity: float | None
) -> tuple[Figures, tuple[Input, ...]]:
    """The figures of one cycle's soak with their full budget, and what they were made from."""
    rows = slice(int(cycles.soak[row]), int(cycles.soak_end[row]))
    window = make_window(rig, time=run.time, signals=run.signals, rows=rows)
    stored = (
        _stored(capacity, window.together.trend(window.mean("hot_temperature"))) if window.together.sources else None
    )
    figures = find_figures(rig, window=window, start=run.start, reference=reference, unrest=Unrest(stored=stored))
    known = capacity if window.together.sources else None
    return figures, inputs_of(rig, window=window, reference=reference, start=run.start, capacity=known)


def _halves(cycles: Cycles) -> Rows:
    """First row, middle row and end of each soak, one after the other."""
    middle = (cycles.soak + cycles.soak_end) // 2
    halves: Rows = np.stack((cycles.soak, middle, cycles.soak_end), axis=1).ravel()
    return halves


def _means(signal: Signal, halves: Rows) -> Array:
    """Mean over the first and the second half of each soak and over all of it, shape (3, n)."""
    sums, counts = signal.block_sums(halves)
    sums, counts = np.append(sums, 0.0).reshape(-1, 3)[:, :2], np.append(counts, 0).reshape(-1, 3)[:, :2]
    whole = divided(sums.sum(axis=1), counts.sum(axis=1))
    return np.vstack((divided(sums, counts).T, whole))


def _slope(members: list[Array], seconds: Array) -> Array:
    mean = np.mean(members, axis=0)
    slope: Array = (mean[1] - mean[0]) / np.where(seconds > 0.0, 0.5 * seconds, np.inf)
    return slope


def _segments(cycles: Cycles) -> list[Segment]:
    """The first few cycles as stretches of one power, for the steps that show the heat capacity."""
    segments = []
    before = 0
    for first, last in zip(cycles.first[:_FIRST].tolist(), cycles.last[:_FIRST].tolist(), strict=True):
        segments += [Segment(before, first), Segment(first, last)]
        before = last
    return [segment for segment in segments if segment.last > segment.first]


def _stored(capacity: float | None, slope: float | Array) -> Estimate | None:
    if capacity is None or not np.isfinite(slope).all():
        return None
    heat = cast(float, capacity * slope)
    return Estimate.measured(heat, Source("heat stored in the hot block", DOUBT * abs(heat)))


def _window(run: Run, cycles: Cycles, means: Mapping[str, list[Array]], places: Rows) -> Window:
    """Means of soaks as a window without uncertainties: the drift is judged by the scatter from cycle to cycle.

    The arithmetic of an estimate is that of its value, so that many soaks are worked out as one, as an array.
    """
    rows = slice(int(cycles.soak[places[0]]), int(cycles.soak_end[places[-1]]))
    known = {
        quantity: [
            (cast(float, m[2, places]), signal.reading.depth or 0.0)
            for m, signal in zip(members, run.signals[quantity], strict=True)
        ]
        for quantity, members in means.items()
    }
    kept = {quantity: [pair for pair in pairs if np.isfinite(pair[0]).all()] for quantity, pairs in known.items()}
    return Window(
        rows=rows,
        start=float(run.time[rows.start]),
        end=float(run.time[rows.stop - 1]),
        means={quantity: tuple(Estimate(value) for value, _ in pairs) for quantity, pairs in kept.items() if pairs},
        depths={quantity: tuple(depth for _, depth in pairs) for quantity, pairs in kept.items() if pairs},
        together=Together(),
        centres=np.zeros(0),
    )


def _figures(rig: Rig, window: Window, *, stored: Estimate | None, reference: Reference | None) -> dict[str, Array]:
    if not window.has("hot_temperature", "cold_temperature"):
        return {}
    if rig.setup.heat_flow == "electrical" and not window.has("heater_power"):
        return {}
    heat = find_heat(rig, window=window, stored=stored)
    rise, flow = np.asarray((heat.hot_face - heat.cold_face).value), np.asarray(heat.flow.value)
    found = {"temperature_rise": rise, "heat_flow": flow, "hot_temperature": np.asarray(heat.hot_face.value)}
    if rig.setup.area is not None and (flow > 0.0).any():
        warmed = np.where(flow > 0.0, flow, np.nan)
        found["thermal_impedance"] = np.asarray(rise * rig.setup.area.value / warmed)
    if window.has("gap") and reference is not None:
        found["gap"] = np.asarray(find_gap(rig, window=window, reference=reference, start=None).value)
    return found
