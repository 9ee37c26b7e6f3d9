"""What goes wrong in a recording: each function gives a recording with one fault in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lims.demo.simulator.bench import Array, Recording


def stuck(recording: Recording, column: str, *, start: float, end: float) -> Recording:
    """A sensor that repeats its reading from `start` to `end` [s]."""
    first = int(np.searchsorted(recording.time, start))
    inside = (recording.time >= start) & (recording.time < end)
    return changed(recording, column, lambda values: np.where(inside, values[first], values))


def spiked(recording: Recording, column: str, *, share: float, size: float, seed: int = 0) -> Recording:
    """Single wild readings of `size` in the column's unit, to either side, in a share of the rows."""
    rng = np.random.default_rng(seed)
    hit = rng.random(recording.time.size) < share
    return changed(
        recording, column, lambda values: values + np.where(hit, size * rng.choice([-1.0, 1.0], hit.size), 0.0)
    )


def blank(recording: Recording, column: str, *, share: float, seed: int = 0) -> Recording:
    """Missing cells in a share of the rows."""
    lost = np.random.default_rng(seed).random(recording.time.size) < share
    return changed(recording, column, lambda values: np.where(lost, np.nan, values))


def scaled(recording: Recording, column: str, *, factor: float) -> Recording:
    """A column with a wrong scale."""
    return changed(recording, column, lambda values: values * factor)


def drifting(recording: Recording, column: str, *, rate: float) -> Recording:
    """A column that drifts by `rate` of its unit a second."""
    return changed(recording, column, lambda values: values + rate * recording.time)


def without_rows(recording: Recording, lost: NDArray[np.bool_]) -> Recording:
    """A recording that lacks the rows where `lost` is true."""
    columns = {name: values[~lost] for name, values in recording.columns.items()}
    return replace(recording, time=recording.time[~lost], columns=columns)


def without_columns(recording: Recording, *names: str) -> Recording:
    """A recording that lacks some columns."""
    return replace(recording, columns={name: v for name, v in recording.columns.items() if name not in names})


def changed(recording: Recording, column: str, change: Callable[[Array], Array]) -> Recording:
    """A recording with one column changed."""
    return replace(recording, columns={**recording.columns, column: change(recording.columns[column])})
