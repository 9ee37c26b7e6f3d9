"""The approach: gap against time from when the force is on to its end, with everything that shifts or scales it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from analysis.errors import BadSetup, Where
from analysis.materials.squeeze_flow import Face, disk_of, square_of
from analysis.results import Array, Measured
from analysis.statistics.uncertainty import Estimate, evaluate
from analysis.steady.blocks import Grid, Rows, grid_of, mean_blocks
from analysis.steady.gap import Reference
from analysis.steady.run import Run
from analysis.steady.window import Rig, Window, make_window
from analysis.units import parse_quantity

_BLOCKS = 4000
_POINTS = 160  # of the approach, evenly in the logarithm of the time
_ON = 0.9  # share of the usual force from which it counts as on
_FEWEST = 20
_SOONEST = 1e-3  # of the approach


@dataclass(frozen=True, slots=True)
class Approach:
    """The approach under one force: `time` [s] since the force was on, `gap` [m] from the zero, shapes (n,).

    `shifts`, shape (n, 2), is what one standard uncertainty adds to every gap: that of zero and sensor, and that of the
    expansion, which follows the blocks' warmth. `noise` is the scatter of a point, `warmed` [K] how much the blocks'
    mean temperature changes meanwhile, `before` the gap when the force came on.
    """

    time: Array
    gap: Array
    shifts: Array
    noise: float
    force: Measured
    area: Measured
    face: Face
    warmed: float
    before: float
    end: Measured
    from_s: float
    to_s: float

    @property
    def seconds(self) -> float:
        """How long the force was on [s]."""
        return self.to_s - self.from_s


def face_of(text: str, area: float) -> Face:
    """The face of `"circular"`, `"square"`, or a rectangle by its sides, `"30 mm x 40 mm"`, of `area` [m2].

    A rectangle gives its shape; its size is that of the area.
    """
    plain = text.strip().lower()
    if plain in ("", "square"):
        return square_of(area)
    if plain in ("circular", "round", "disk"):
        return disk_of(area)
    sides = [part for part in re.split(r"\s*[x×]\s*", plain) if part]
    where = Where(key="face")
    if len(sides) != 2:
        raise BadSetup(f"'{text}' is no face; write circular, square, or sides such as '30 mm x 40 mm'", where=where)
    a, b = (parse_quantity(side, "length", where=where) for side in sides)
    if not (a > 0.0 and b > 0.0):
        raise BadSetup("a face needs sides above zero", where=where)
    scale = math.sqrt(area / (a * b))
    return Face(a * scale, b * scale)


def find_approach(run: Run, *, rig: Rig, reference: Reference, face: Face) -> Approach | str:
    """The approach of a run, or the sentence that says why there is none."""
    for quantity in ("gap", "force"):
        if quantity not in run.signals:
            return f"the run has no channel of {quantity}"
    grid = grid_of(run.time, rows=slice(0, run.time.size), blocks=_BLOCKS)
    force, gap = (mean_blocks(run.signals[name], grid.edges) for name in ("force", "gap"))
    if not (np.isfinite(force).all() and np.isfinite(gap).all()):
        return "gap or force have no readings"
    span = _pressed(force)
    if span is None:
        return "the force never comes on: no rise from rest to a steady force is found"
    first, last = span
    warmth = _warmth(run, grid)
    corrected = gap - reference.zero.reading.value - _expansion(rig, reference, warmth)
    window = make_window(rig, time=run.time, signals=run.signals, rows=_rows(grid, first, last))
    groups = _groups(grid, first, last)
    time, values = (
        np.array([part[g].mean() for g in groups]) for part in (_since(grid, first, last), corrected[first:last])
    )
    noise = 1.4826 * float(np.median(np.abs(np.diff(corrected[first:last], 2)))) / math.sqrt(6.0)
    if time.size < _FEWEST:
        return f"the approach has {time.size} readings; {_FEWEST} are needed"
    end, noise_of_end = _end(corrected, grid, first=max(last - max((last - first) // 50, 3), first), last=last)
    zero = math.hypot(_calibration(window, "gap"), evaluate(reference.zero.reading)[0].u)
    warm = np.zeros(corrected.size) if warmth is None else warmth - _cool(reference, warmth)
    expanded = np.array([warm[first:last][g].mean() for g in groups]) * rig.setup.gap_expansion.u
    shifts = np.column_stack((np.full(time.size, zero), expanded))
    area = rig.setup.area or Measured(face.area, 0.0)
    return Approach(
        time=time,
        gap=values,
        shifts=shifts,
        noise=noise,
        force=Measured(float(force[first:last].mean()), _calibration(window, "force")),
        area=area,
        face=face,
        warmed=float(np.ptp(warmth[first:last])) if warmth is not None else 0.0,
        before=float(corrected[max(first - 3, 0)]),
        end=Measured(end, math.hypot(float(np.linalg.norm(shifts[-1])), noise * noise_of_end)),
        from_s=float(grid.bounds[first]),
        to_s=float(grid.bounds[last]),
    )


def _end(gap: Array, grid: Grid, *, first: int, last: int) -> tuple[float, float]:
    """The gap at the very end, and its scatter in that of one block: of a straight line, for it may still move.

    Formula: the slope is the median of all pairs' (Theil and Sen), so that a wild block does not turn the line; what
    it adds to the scatter at the end of n blocks is a factor of 2 / sqrt(n), as for least squares.
    """
    time, values = grid.centres[first:last] - grid.bounds[last], gap[first:last]
    one, other = np.triu_indices(values.size, 1)
    slope = float(np.median((values[other] - values[one]) / (time[other] - time[one])))
    return float(np.median(values - slope * time)), 2.0 / math.sqrt(values.size)


def _rows(grid: Grid, first: int, last: int) -> slice:
    return slice(int(grid.edges[first]), int(grid.edges[last]))


def _pressed(force: Array) -> tuple[int, int] | None:
    """The blocks from when the force is on until it goes: the longest stretch of it."""
    usual = float(np.quantile(force, 0.9))
    on = force > _ON * usual
    if usual <= 0.0 or not on.any():
        return None
    change = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8)))
    stretches: Rows = change.reshape(-1, 2)
    first, last = stretches[int(np.argmax(stretches[:, 1] - stretches[:, 0]))]
    return (int(first), int(last)) if last - first >= _FEWEST else None


def _warmth(run: Run, grid: Grid) -> Array | None:
    sides = [
        mean_blocks(run.signals[q], grid.edges) for q in ("hot_temperature", "cold_temperature") if q in run.signals
    ]
    sides = [side for side in sides if np.isfinite(side).all()]
    return np.mean(sides, axis=0) if sides else None


def _cool(reference: Reference, warmth: Array | None) -> float:
    if reference.zero.temperature is not None:
        return reference.zero.temperature.value
    return float(warmth[0]) if warmth is not None else 0.0


def _expansion(rig: Rig, reference: Reference, warmth: Array | None) -> Array | float:
    if warmth is None:
        return 0.0
    expanded: Array = rig.setup.gap_expansion.value * (warmth - _cool(reference, warmth))
    return expanded


def _calibration(window: Window, quantity: str) -> float:
    """What is uncertain of a channel's mean apart from its scatter."""
    estimate: Estimate = window.mean(quantity)
    return evaluate(estimate, joint=window.together.sources)[0].u


def _since(grid: Grid, first: int, last: int) -> Array:
    """Time [s] of the blocks since the force was on."""
    return np.asarray(grid.centres[first:last] - grid.bounds[first])


def _groups(grid: Grid, first: int, last: int) -> list[Rows]:
    """The blocks of the approach in groups that lie evenly in the logarithm of the time since the force was on.

    Early blocks stand alone: a mean over a course that bends would lie off it.
    """
    time = _since(grid, first, last)
    marks = np.geomspace(time[1], time[-1] * (1.0 + _SOONEST), _POINTS + 1)
    place = np.searchsorted(marks, time, side="right")
    return [np.flatnonzero(place == at) for at in np.unique(place)]
