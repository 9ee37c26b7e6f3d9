"""Where a run changes its heater power or its force: the edges between stretches of one level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.results import Array
from analysis.steady.blocks import Grid, Signal

_SIDE = 4  # blocks compared on either side of an edge
_SURE = 6.0  # times what such a comparison usually shows, be it noise, drift or swing
_FEW_EDGES = 8  # more, and more than the run has room for plateaus: the channel swings, and is looked at more coarsely


@dataclass(frozen=True, slots=True)
class Segment:
    """Rows `first` to `last` (not included) over which power and force keep their levels."""

    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Stepped:
    """A channel that is set to levels: its signals, their block means, and the smallest step that counts, relative."""

    signals: tuple[Signal, ...]
    blocks: Array
    smallest: float


def find_segments(grid: Grid, *, stepped: Sequence[Stepped], window: float) -> tuple[Segment, ...]:
    """The stretches between all edges of all stepped channels, in order; they may be short.

    `window` [s] is the shortest plateau: a channel with more edges than the run has room for plateaus is not stepped
    but swings, or switches to hold its mean.
    """
    rows = int(grid.edges[-1])
    cuts: set[tuple[int, int]] = {(0, 0), (rows, rows)}
    most = max(_FEW_EDGES, int((grid.bounds[-1] - grid.bounds[0]) / window))
    for channel in stepped:
        cuts.update(_edges(grid, channel, most=most))
    ordered = sorted(cuts)
    segments = [Segment(start[1], end[0]) for start, end in pairwise(ordered)]
    return tuple(segment for segment in segments if segment.last > segment.first)


def _edges(grid: Grid, channel: Stepped, *, most: int) -> list[tuple[int, int]]:
    """Each edge as the last row of the old level (not included) and the first row of the new one."""
    blocks, widths = channel.blocks, 1
    places = _jumps(blocks, smallest=channel.smallest)
    while places.size > most and blocks.size >= 8 * _SIDE:
        widths *= 4
        blocks = np.array([part.mean() for part in np.array_split(channel.blocks, channel.blocks.size // widths)])
        places = _jumps(blocks, smallest=channel.smallest)
    scale = channel.blocks.size / blocks.size
    return [_refined(grid, channel, block=round(place * scale), reach=round(_SIDE * scale)) for place in places]


def _jumps(blocks: Array, *, smallest: float) -> NDArray[np.intp]:
    """The blocks at which a new level starts."""
    n = blocks.size
    if n < 2 * _SIDE or not np.isfinite(blocks).all():
        return np.zeros(0, dtype=np.intp)
    medians = np.median(np.lib.stride_tricks.sliding_window_view(blocks, _SIDE), axis=1)
    change = np.zeros(n)
    change[_SIDE : n - _SIDE + 1] = medians[_SIDE:] - medians[: n - 2 * _SIDE + 1]
    change = np.abs(change)
    usual = 1.4826 * float(np.median(change[_SIDE : n - _SIDE + 1]))
    return _peaks(change, limit=max(_SURE * usual, smallest * float(np.max(np.abs(blocks)))))


def _peaks(change: Array, *, limit: float) -> NDArray[np.intp]:
    """The middle of each largest change above `limit`, none nearer to another than the blocks compared."""
    places = []
    left = change.copy()
    while limit > 0.0 and float(left.max()) > limit:
        top = int(np.argmax(left))
        end = top
        while end + 1 < left.size and left[end + 1] >= 0.999 * left[top]:
            end += 1
        middle = (top + end) // 2
        places.append(middle)
        left[max(middle - _SIDE, 0) : middle + _SIDE + 1] = 0.0
    return np.array(sorted(places), dtype=np.intp)


def _refined(grid: Grid, channel: Stepped, *, block: int, reach: int) -> tuple[int, int]:
    """An edge found in blocks, looked at row by row: where the old level is left, and where the new one is reached.

    No row of the passage belongs to either side.
    """
    low, high = max(block - reach, 0), min(block + reach, grid.size)
    rows = slice(int(grid.edges[low]), int(grid.edges[high]))
    values = np.nansum([signal.values(rows) for signal in channel.signals], axis=0)
    split = _split(values)
    before, after = float(np.median(values[:split])), float(np.median(values[split:]))
    step = abs(after - before)
    left = np.abs(values - before) > _leave(values[:split], before, step)
    reached = np.abs(values - after) > _leave(values[split:], after, step)
    gone = np.flatnonzero(left[: split + 1])
    still = np.flatnonzero(reached[: values.size])
    leaving = min(int(gone[0]) if gone.size else split, split)
    arriving = max(int(still[still < values.size - 1][-1]) + 1 if (still < values.size - 1).any() else split, split)
    return rows.start + leaving, rows.start + arriving


def _leave(values: Array, level: float, step: float) -> float:
    """How far from its level a row may be and still belong to it."""
    scatter = 1.4826 * float(np.median(np.abs(values - level)))
    return max(6.0 * scatter, 0.02 * step)


def _split(values: Array) -> int:
    """The row at which two constant levels describe `values` best (least squares)."""
    n = values.size
    sums = np.cumsum(values - values.mean())[:-1]
    counts = np.arange(1, n)
    gain = sums**2 * (1.0 / counts + 1.0 / (n - counts))
    return int(np.argmax(gain)) + 1
