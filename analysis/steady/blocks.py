"""A run as a few hundred block means: enough to see levels and slopes, whatever the length of the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.channels import Channels, Reading
from analysis.results import Array
from analysis.steady.spikes import Habit, spikes

Rows = NDArray[np.intp]

PER_WINDOW = 60  # blocks in the shortest plateau
_FEWEST, MOST = 200, 20_000
_CHUNK = 1 << 17  # rows converted at once, so that no full-length copy is made


@dataclass(frozen=True, slots=True)
class Grid:
    """Blocks of neighbouring rows: block i holds the rows `edges[i]` to `edges[i + 1]` and the times `bounds` [s]."""

    edges: Rows
    bounds: Array
    centres: Array

    @property
    def size(self) -> int:
        return int(self.centres.size)


@dataclass(frozen=True, slots=True)
class Signal:
    """A reading with the rows found to be wild, and how it usually moves."""

    reading: Reading
    wild: Rows
    habit: Habit  # in the reading's raw unit

    def values(self, rows: slice) -> Array:
        """Calibrated SI values of `rows`, missing and wild ones nan."""
        values = self.reading.values(rows)
        first, last = np.searchsorted(self.wild, (rows.start, rows.stop))
        if last > first:
            values = values.copy()
            values[self.wild[first:last] - rows.start] = np.nan
        return values

    def lost(self, rows: slice) -> tuple[int, int]:
        """How many of `rows` are missing, and how many were rejected as wild."""
        missing = np.isnan(self.reading.raw[rows])
        if self.reading.times is not None:
            missing = missing | np.isnan(self.reading.times.raw[rows])
        first, last = np.searchsorted(self.wild, (rows.start, rows.stop))
        return int(np.count_nonzero(missing)), int(last - first)

    def block_sums(self, edges: Rows) -> tuple[Array, Rows]:
        """Sum of each block of rows and how many readings it holds, shapes (len(edges) - 1,)."""
        parts = [self._chunk(edges[start : stop + 1]) for start, stop in _chunks(edges)]
        if not parts:
            return np.zeros(0), np.zeros(0, dtype=np.intp)
        return np.concatenate([sums for sums, _ in parts]), np.concatenate([counts for _, counts in parts])

    def block_means(self, edges: Rows) -> Array:
        """Mean of each block of rows, shape (len(edges) - 1,); nan where a block has no reading."""
        return divided(*self.block_sums(edges))

    def mean(self, rows: slice) -> float:
        """Mean over `rows`; nan where there is no reading."""
        sums, counts = self.block_sums(np.array([rows.start, rows.stop], dtype=np.intp))
        return float(divided(sums, counts)[0])

    def _chunk(self, edges: Rows) -> tuple[Array, Rows]:
        values = self.values(slice(int(edges[0]), int(edges[-1])))
        starts = edges[:-1] - edges[0]
        counts = np.diff(edges)
        sums = np.add.reduceat(values, starts)
        if np.isfinite(sums).all():
            return sums, counts
        missing = np.isnan(values)
        present = counts - np.add.reduceat(missing.astype(np.intp), starts)
        return np.add.reduceat(np.where(missing, 0.0, values), starts), present


def divided(sums: Array, counts: Rows) -> Array:
    """Means out of sums and counts; nan where nothing was counted."""
    means: Array = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    return means


def _chunks(edges: Rows) -> list[tuple[int, int]]:
    """Ranges of blocks that together hold about a chunk of rows each."""
    blocks = edges.size - 1
    if blocks <= 0:
        return []
    per_block = max((int(edges[-1]) - int(edges[0])) // blocks, 1)
    size = max(_CHUNK // per_block, 1)
    return [(start, min(start + size, blocks)) for start in range(0, blocks, size)]


def make_grid(time: Array, *, window: float) -> Grid:
    """Blocks of equally many rows of `time` [s], about sixty to the shortest plateau, `window` [s]."""
    n = time.size
    seconds = float(time[-1] - time[0])
    wanted = int(np.clip(PER_WINDOW * seconds / window, _FEWEST, MOST))
    return grid_of(time, rows=slice(0, n), blocks=min(wanted, n))


def grid_of(time: Array, *, rows: slice, blocks: int) -> Grid:
    """The rows `rows.start` to `rows.stop` as at most `blocks` blocks of equally many rows (but for one)."""
    count = rows.stop - rows.start
    blocks = max(min(blocks, count), 1)
    edges = rows.start + (np.arange(blocks + 1) * count) // blocks
    step = typical_step(time[rows])
    bounds = np.append(time[edges[:-1]], time[edges[-1] - 1] + step)
    centres = 0.5 * (time[edges[:-1]] + time[edges[1:] - 1])
    return Grid(edges=edges.astype(np.intp), bounds=bounds, centres=centres)


def typical_step(time: Array) -> float:
    """The usual time between rows [s], 0 for a single row."""
    return float(np.median(np.diff(time[: 1 << 16]))) if time.size > 1 else 0.0


def make_signals(channels: Channels) -> dict[str, tuple[Signal, ...]]:
    """Every channel by its quantity, with its wild rows."""
    signals: dict[str, tuple[Signal, ...]] = {}
    for reading in channels.readings:
        wild, habit = spikes(reading.raw, may_switch=reading.quantity == "heater_power")
        if reading.times is not None:
            wild = np.union1d(wild, spikes(reading.times.raw, may_switch=True)[0])
        signals[reading.quantity] = (*signals.get(reading.quantity, ()), Signal(reading, wild, habit))
    return signals


def mean_blocks(signals: Sequence[Signal], edges: Rows) -> Array:
    """Mean over several channels of their block means; a gap in one channel is bridged in that channel first."""
    return np.asarray(np.mean([bridged(signal.block_means(edges)) for signal in signals], axis=0))


def summed_blocks(signals: Sequence[Signal], edges: Rows) -> Array:
    """Sum over several channels of their block means; a gap in one channel is bridged in that channel first."""
    return np.asarray(np.sum([bridged(signal.block_means(edges)) for signal in signals], axis=0))


def bridged(values: Array) -> Array:
    """`values` with missing ones drawn straight from neighbour to neighbour; all nan stays so."""
    missing = np.isnan(values)
    if not missing.any() or missing.all():
        return values
    places = np.arange(values.size)
    filled = values.copy()
    filled[missing] = np.interp(places[missing], places[~missing], values[~missing])
    return filled
