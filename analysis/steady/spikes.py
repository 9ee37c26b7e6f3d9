"""Single wild readings: a jump away and back again within a few rows, far outside what the channel does otherwise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_WIDEST = 5  # rows; a longer excursion is taken for real
_REACH = 2 * _WIDEST  # rows on either side that tell where the channel really was
_FACTOR = 8.0  # times the scatter of one row to the next
_ORDINARY = 0.6  # share of the steps, the smaller ones, that tell the usual step: wild readings are not among them
_GAUSSIAN = 2.13  # root mean square of all Gaussian steps to that of the smaller ones
_SWITCHING = 0.05  # share of jumps above which a heater switches on purpose
_SAMPLES = 32  # stretches looked at for the scatter
_STRETCH = 256  # rows of one stretch
_CHUNK = 20_000  # candidates handled at once
_NO_ROWS: NDArray[np.intp] = np.zeros(0, dtype=np.intp)


@dataclass(frozen=True, slots=True)
class Habit:
    """How a channel usually moves from one row to the next, in its own unit, and its `resolution`."""

    step: float
    resolution: float


def spikes(raw: NDArray[np.floating], *, may_switch: bool = False) -> tuple[NDArray[np.intp], Habit]:
    """The rows of `raw`, shape (n,), any unit, that are wild readings, and the channel's habit.

    A row is wild when it lies further from the median of its neighbours than eight times the usual step from one row
    to the next, and it is next to a jump of that size. A change of level is no spike: the median goes with it.
    Missing values are never among them. A channel that `may_switch`, such as a heater, and that jumps in more than a
    few rows of a hundred switches on purpose, and has none.
    """
    present = _NO_ROWS
    values = raw
    if np.isnan(raw).any():
        present = np.flatnonzero(~np.isnan(raw))
        values = raw[present]
    habit = habit_of(values)
    found = _among(values, _FACTOR * habit.step, most=_SWITCHING if may_switch else 1.0)
    return (present[found] if values is not raw else found), habit


def _among(values: NDArray[np.floating], limit: float, *, most: float) -> NDArray[np.intp]:
    if values.size < 2 * _REACH + 1 or not limit > 0.0:
        return _NO_ROWS
    step = np.diff(values)
    jumps = np.flatnonzero((step > limit) | (step < -limit))
    if not 0 < jumps.size <= most * values.size:
        return _NO_ROWS
    beside = np.zeros(values.size, dtype=bool)
    for offset in range(1 - _WIDEST, _WIDEST + 1):
        beside[np.clip(jumps + offset, 0, values.size - 1)] = True
    near = np.flatnonzero(beside)
    found = [_wild(values, near[start : start + _CHUNK], limit) for start in range(0, near.size, _CHUNK)]
    return np.concatenate(found)


def habit_of(values: NDArray[np.floating]) -> Habit:
    """A robust size of the step from one row to the next and the smallest step there is; 0 where nothing moves."""
    steps = np.abs(np.diff(_sampled(values)))
    steps = steps[np.isfinite(steps)]
    moved = np.sort(steps[steps > 0.0])
    if not moved.size:
        return Habit(0.0, 0.0)
    smallest = moved[moved < 1.5 * moved[0]]
    resolution = float(smallest[smallest.size // 2])
    smaller = moved[: max(int(_ORDINARY * steps.size) - (steps.size - moved.size), 0)]
    scatter = _GAUSSIAN * math.sqrt(float(smaller @ smaller) / (_ORDINARY * steps.size))
    return Habit(max(scatter, resolution), resolution)


def _sampled(values: NDArray[np.floating]) -> NDArray[np.float64]:
    """The values, or of many of them evenly spread stretches, laid end to end with a gap (nan) between."""
    if values.size <= _SAMPLES * _STRETCH:
        return values.astype(np.float64)
    starts = np.linspace(0, values.size - _STRETCH, _SAMPLES).astype(np.intp)
    parts = values[starts[:, None] + np.arange(_STRETCH)].astype(np.float64)
    return np.column_stack((parts, np.full(_SAMPLES, np.nan))).ravel()


def _wild(values: NDArray[np.floating], rows: NDArray[np.intp], limit: float) -> NDArray[np.intp]:
    around = rows[:, None] + np.arange(-_REACH, _REACH + 1)
    np.clip(around, 0, values.size - 1, out=around)
    middle = np.partition(values[around], _REACH, axis=1)[:, _REACH]  # the median of an odd number, none missing
    away = np.abs(values[rows] - middle)
    wild: NDArray[np.intp] = rows[away > limit]
    return wild
