"""The cycles in a trace: heated stretches between switches of the power, or warm ones between swings of temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.results import Array
from analysis.steady.blocks import Rows, Signal, bridged
from analysis.steady.run import Run

FEWEST = 5  # whole cycles; fewer make no drift
_LOW, _HIGH = 0.35, 0.65  # of the swing: a state is left beyond the other mark
_SWING = 0.25  # of the highest power that it has to fall by to be cycled
_SWING_K = 5.0  # [K] a temperature has to swing by; common practice, no source
_SHORT = 0.2  # of the usual length, below which a stretch is a disturbance and no cycle
_UNEVEN = 0.3  # of the usual length by which a cycle may differ from it
_SOAK, _TAIL = 0.25, 0.02  # share of the heated stretch that is the soak, and what is left off its end
_CHUNK = 1 << 18  # rows looked at at once


@dataclass(frozen=True, slots=True)
class Cycles:
    """Cycles as rows of the run: heated from `first` to `last` (not included), soaked from `soak` to `soak_end`.

    `kind` is what is cycled; `uneven` are the numbers, from 1, of cycles too long or too short to be compared.
    """

    kind: str
    first: Rows
    last: Rows
    soak: Rows
    soak_end: Rows
    number: Rows  # from 1, as they stand in the run
    uneven: tuple[int, ...]
    period: float  # [s] usual time from one start to the next

    @property
    def count(self) -> int:
        return int(self.first.size)


def find_cycles(run: Run) -> Cycles | None:
    """The cycles of the power, else of the coolant's or the blocks' temperature; None where nothing is cycled."""
    for kind, signals, least, together in _drivers(run):
        values = _values(run, signals, together=together)
        if values is None:
            continue
        found = _cycles(run, kind, values, least=least)
        if found is not None and found.count >= 2:
            return found
    return None


def _drivers(run: Run) -> list[tuple[str, tuple[Signal, ...], float, bool]]:
    """What may drive the cycles, the likeliest first, with the least swing that counts (0: relative)."""
    drivers: list[tuple[str, tuple[Signal, ...], float, bool]] = []
    if "heater_power" in run.signals:
        drivers.append(("power", run.signals["heater_power"], 0.0, True))
    drivers += [
        ("temperature", run.signals[quantity], _SWING_K, False)
        for quantity in ("coolant_in", "cold_temperature", "hot_temperature")
        if quantity in run.signals
    ]
    return drivers


def _values(run: Run, signals: tuple[Signal, ...], *, together: bool) -> Array | None:
    """The driver row by row: powers added, temperatures averaged; missing rows bridged."""
    total = np.zeros(run.time.size)
    for signal in signals:
        for start in range(0, total.size, _CHUNK):
            part = slice(start, min(start + _CHUNK, total.size))
            total[part] += signal.values(part)
    total = bridged(total)
    if not np.isfinite(total).all():
        return None
    return total if together else total / len(signals)


def _cycles(run: Run, kind: str, values: Array, *, least: float) -> Cycles | None:
    low, high = (float(level) for level in np.quantile(_calm(values), (0.02, 0.98)))
    if high - low <= (least or _SWING * abs(high)):
        return None
    warm = _states(_calm(values), low + _LOW * (high - low), low + _HIGH * (high - low))
    first, last = _stretches(warm)
    first, last = _whole(first, last, rows=values.size)
    if first.size < 2:
        return None
    length = run.time[last - 1] - run.time[first]
    usual = float(np.median(length))
    even = np.abs(length - usual) <= _UNEVEN * usual
    number = np.arange(1, first.size + 1)
    period = float(np.median(np.diff(run.time[first])))
    first, last, count = first[even], last[even], number[even]
    soak, end = _soaks(run.time, first, last)
    held = end - soak >= 2
    return Cycles(
        kind=kind,
        first=first[held],
        last=last[held],
        soak=soak[held],
        soak_end=end[held],
        number=count[held],
        uneven=tuple(int(n) for n in number[~even]),
        period=period,
    )


def _calm(values: Array) -> Array:
    """Each value as the median of itself and its neighbours, so that a single wild row starts no cycle."""
    if values.size < 3:
        return values
    one, two, three = values[:-2], values[1:-1], values[2:]
    inner = np.maximum(np.minimum(one, two), np.minimum(np.maximum(one, two), three))  # the median of three
    return np.concatenate((values[:1], inner, values[-1:]))


def _states(values: Array, low: float, high: float) -> NDArray[np.bool_]:
    """Whether each row is warm: it stays so until it falls below `low`, and cold until it rises above `high`."""
    marks = np.where(values >= high, 1, np.where(values <= low, -1, 0))
    known = np.flatnonzero(marks)
    if not known.size:
        return np.zeros(values.size, dtype=bool)
    place = np.searchsorted(known, np.arange(values.size), side="right") - 1
    states: NDArray[np.bool_] = marks[known[np.maximum(place, 0)]] > 0
    return states


def _stretches(warm: NDArray[np.bool_]) -> tuple[Rows, Rows]:
    """First row and row after the last of each warm stretch; disturbances of either state are passed over."""
    for state in (True, False):
        first, last = _edges(warm == state)
        if first.size > 2:
            length = last - first
            short = length < _SHORT * float(np.quantile(length, 0.75))
            for start, stop in zip(first[short], last[short], strict=True):
                if start > 0 and stop < warm.size:
                    warm[start:stop] = not state
    return _edges(warm)


def _edges(states: NDArray[np.bool_]) -> tuple[Rows, Rows]:
    change = np.flatnonzero(np.diff(np.concatenate(([False], states, [False])).astype(np.int8)))
    return change[::2].astype(np.intp), change[1::2].astype(np.intp)


def _whole(first: Rows, last: Rows, *, rows: int) -> tuple[Rows, Rows]:
    """Without a stretch that the recording began or ended in."""
    keep = (first > 0) & (last < rows)
    return first[keep], last[keep]


def _soaks(time: Array, first: Rows, last: Rows) -> tuple[Rows, Rows]:
    start, stop = time[first], time[last - 1]
    length = stop - start
    soak = np.searchsorted(time, stop - (_SOAK + _TAIL) * length).astype(np.intp)
    end = np.searchsorted(time, stop - _TAIL * length, side="right").astype(np.intp)
    return np.maximum(soak, first), np.minimum(end, last)
