"""Whether the recording itself can be trusted: stuck sensors, missing samples, an irregular clock."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.channels import Reading
from analysis.results import Array, Flag, Severity
from analysis.steady.blocks import typical_step
from analysis.steady.run import Run
from analysis.steady.spikes import habit_of

_STUCK_SECONDS = 60.0
_BY_CHANCE = 1e-4  # probability below which a row of equal readings is no chance
_MISSING, _MISSING_BLOCKS = 0.01, 0.20
_LATE, _LATE_UNSTEADY = 1.6, 10.0  # times the step of its neighbours: an instant is missing
_SIDE = 4  # steps on either side of a gap
_PIECE = 8  # readings in a piece
_ENOUGH = 6 * _PIECE + 2  # readings that can tell a channel's noise
_QUIETEST = 1.5  # what the quietest tenth of such pieces shows too little of Gaussian noise
_LOOKED_AT = 200_000  # rows of a long file that tell a channel's noise


def stuck_flags(run: Run, rows: slice, *, used: Sequence[str]) -> Iterator[Flag]:
    """A channel whose noise is above its resolution repeats one value over at least 60 s of the plateau."""
    for quantity in used:
        for reading in _recorded(run, quantity):
            found = _stuck(run.time, reading.raw, rows)
            if found is not None:
                start, seconds, value = found
                yield Flag(
                    "sensor_stuck",
                    Severity.BLOCKS,
                    f"'{reading.column}' repeats the reading {value:.6g} for {seconds:.4g} s "
                    f"from {start:.6g} s on, though its noise is above its resolution",
                )


def _recorded(run: Run, quantity: str) -> Iterator[Reading]:
    """Every column that was recorded for a quantity: a pair's current as well as its voltage."""
    for signal in run.signals.get(quantity, ()):
        yield signal.reading
        if signal.reading.times is not None:
            yield signal.reading.times


def _stuck(time: Array, raw: NDArray[np.floating], rows: slice) -> tuple[float, float, float] | None:
    """Start [s], length [s] and reading of the longest row of equal readings, where that is no chance."""
    if not _may_repeat(raw[rows], step=typical_step(time[rows])):
        return None
    first, last = _longest_run(raw[rows])
    if last - first < 3:
        return None
    first, last = rows.start + first, rows.start + last
    seconds = float(time[last - 1] - time[first]) + typical_step(time[rows])
    if seconds < _STUCK_SECONDS * (1.0 - 1e-6):
        return None
    value = float(raw[first])
    others = np.concatenate((raw[rows.start : first], raw[last : rows.stop]))
    if others.size < _ENOUGH:
        others = _outside(raw, value=value, first=first, last=last)
    chance = _chance_of_repeat(others)
    if chance is None or (rows.stop - rows.start) * chance ** (last - first - 1) > _BY_CHANCE:
        return None
    return float(time[first]), seconds, value


def _may_repeat(raw: NDArray[np.floating], *, step: float) -> bool:
    """A quick look: a long row of equal readings shows in every so manieth of them."""
    apart = max(int(0.4 * _STUCK_SECONDS / step), 1) if step > 0.0 else 1
    few = raw[::apart]
    return bool((few[1:] == few[:-1]).any())


def _longest_run(raw: NDArray[np.floating]) -> tuple[int, int]:
    """First and last row (not included) of the longest run of equal readings."""
    change = np.flatnonzero(raw[1:] != raw[:-1]) + 1
    edges = np.concatenate(([0], change, [raw.size]))
    longest = int(np.argmax(np.diff(edges)))
    return int(edges[longest]), int(edges[longest + 1])


def _outside(raw: NDArray[np.floating], *, value: float, first: int, last: int) -> NDArray[np.floating]:
    """The readings of the whole run before and after a row of equal ones, grown to both sides beyond the plateau."""
    while first > 0 and raw[first - 1] == value:
        first -= 1
    while last < raw.size and raw[last] == value:
        last += 1
    return np.concatenate((raw[max(first - _LOOKED_AT, 0) : first], raw[last : last + _LOOKED_AT]))


def _chance_of_repeat(raw: NDArray[np.floating]) -> float | None:
    """How often a reading repeats the one before; None where the noise is not above the resolution.

    Rounded to steps d, Gaussian noise s well above d repeats with the probability d / (2 sqrt(pi) s).
    """
    values: Array = raw[np.isfinite(raw)].astype(np.float64)
    if values.size < _ENOUGH:
        return None
    noise, step = _noise(values), habit_of(values).resolution
    if noise <= step:
        return None
    by_rounding = step / (2.0 * math.sqrt(math.pi) * noise)
    return max(float(np.mean(values[1:] == values[:-1])), by_rounding, 1.0 / values.size)


def _noise(raw: Array) -> float:
    """The scatter of a channel where it is quietest: in a tenth of short pieces. Elsewhere it may really move."""
    bend = np.abs(np.diff(raw, n=2))
    pieces = bend[: bend.size // _PIECE * _PIECE].reshape(-1, _PIECE)
    quiet = float(np.quantile(np.median(pieces, axis=1), 0.1))
    return _QUIETEST * 1.4826 * quiet / math.sqrt(6.0)


def missing_flags(run: Run, rows: slice, *, used: Sequence[str]) -> Iterator[Flag]:
    """Missing or rejected samples of a channel used, above one per cent of the plateau."""
    count = rows.stop - rows.start
    for quantity in used:
        for signal in run.signals.get(quantity, ()):
            missing, wild = signal.lost(rows)
            share = (missing + wild) / count
            if share > _MISSING:
                yield Flag(
                    "samples_missing",
                    Severity.BLOCKS if share > _MISSING_BLOCKS else Severity.CAUTIONS,
                    f"'{signal.reading.column}' lacks {100.0 * share:.3g} % of the plateau's {count} rows: "
                    f"{missing} missing, {wild} rejected as spikes",
                )


def clock_flags(run: Run) -> Iterator[Flag]:
    """Rows out of order, instants that occur twice, instants that are missing."""
    trace = run.trace
    parts = []
    if trace.unsorted:
        parts.append(f"{trace.unsorted} rows out of time order (sorted)")
    if trace.repeated:
        parts.append(f"{trace.repeated} rows with an instant that a later row repeats (the last was kept)")
    if trace.undated:
        parts.append(f"{trace.undated} rows without a time (left out)")
    missing, longest = missing_instants(run.time)
    if missing:
        parts.append(f"{missing} instants missing, the longest gap {longest:.4g} s")
    if trace.time_problem:
        parts.append(trace.time_problem)
    if parts:
        yield Flag("clock_irregular", Severity.CAUTIONS, "; ".join(parts))


def missing_instants(time: Array) -> tuple[int, float]:
    """How many instants a steady clock left out, and the longest gap [s].

    A gap counts when it is longer than its neighbours on both sides, so a logger that changes its rate leaves nothing
    out; of a logger without a steady rate only gaps ten times as long count.
    """
    steps = np.diff(time)
    if steps.size < 2 * _SIDE:
        return 0, 0.0
    usual = float(np.median(steps))
    late = np.flatnonzero(steps > _LATE * usual)
    if not late.size or not usual > 0.0:
        return 0, 0.0
    before, after = (_near(steps, late, offsets) for offsets in (np.arange(-_SIDE, 0), np.arange(1, _SIDE + 1)))
    near = np.maximum(before, after)
    unsteady = float(np.quantile(np.abs(steps[: 1 << 16] - usual), 0.9)) > 0.2 * usual
    gaps = steps[late] > (_LATE_UNSTEADY if unsteady else _LATE) * near
    if not gaps.any():
        return 0, 0.0
    left_out = np.maximum(np.round(steps[late][gaps] / near[gaps]) - 1.0, 1.0)
    return int(left_out.sum()), float(steps[late][gaps].max())


def _near(steps: Array, places: NDArray[np.intp], offsets: NDArray[np.intp]) -> Array:
    """Median step on one side of each place."""
    around = np.clip(places[:, None] + offsets, 0, steps.size - 1)
    return np.asarray(np.median(steps[around], axis=1))
