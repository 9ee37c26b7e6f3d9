"""How the layer was pressed out: the gap before, the gap at the end, and how it got there."""

from __future__ import annotations

import numpy as np

from analysis.results import Array, Press
from analysis.statistics.regression import fit_line
from analysis.steady.blocks import Rows, bridged, grid_of
from analysis.steady.gap import Reference
from analysis.steady.run import Run
from analysis.steady.window import Window
from analysis.units import to_si

NEAR = to_si(1.0, "um", "length")  # [m] from the end that counts as there
_BLOCKS = 4000
_PRESSED = 0.5  # share of the plateau's force at which pressing begins
_FEWEST = 8  # points of a power law


def find_press(run: Run, *, window: Window, reference: Reference | None) -> Press | None:
    """The press of a run whose settled window is `window`; None without a gap channel.

    Gaps are counted from the zero and left out without one. The power law is that of the approach,
    gap - gap at the end ~ (t - start of pressing)^(-exponent), where it fell from 80 % to 5 % of its way.
    """
    if "gap" not in run.signals or not window.has("gap"):
        return None
    grid = grid_of(run.time, rows=slice(0, window.rows.stop), blocks=_BLOCKS)
    gap = bridged(np.mean([bridged(signal.block_means(grid.edges)) for signal in run.signals["gap"]], axis=0))
    if not np.isfinite(gap).all():
        return None
    begin = _begin(run, window, grid.edges, gap)
    if begin is None:
        return None
    end = window.mean("gap").value
    before = float(np.median(gap[: max(begin, 1)]))
    time = grid.centres - grid.bounds[max(begin, 0)]
    zero = None if reference is None else reference.zero.reading.value
    away = gap - end
    far = np.flatnonzero(np.abs(_calm(away)) > NEAR)
    arrived = int(far[-1]) + 1 if far.size else begin
    return Press(
        gap_before=None if zero is None or begin == 0 else before - zero,
        gap_end=None if zero is None else end - zero,
        time_to_end=float(time[arrived]) if begin < arrived < time.size else None,
        exponent=_exponent(time[begin:], away[begin:]),
    )


def _begin(run: Run, window: Window, edges: Rows, gap: Array) -> int | None:
    """The block at which pressing begins: when the force comes, else when the gap starts to fall."""
    if "force" in run.signals and window.has("force"):
        force = np.mean([bridged(signal.block_means(edges)) for signal in run.signals["force"]], axis=0)
        on = force > _PRESSED * window.mean("force").value
        if not on[0] and on.any():
            off = np.flatnonzero(~on)
            return int(off[-1]) + 1 if off[-1] + 1 < on.size else None
    fall = gap[0] - window.mean("gap").value
    if fall <= 2.0 * NEAR:
        return None
    fallen = np.flatnonzero(gap < gap[0] - 0.05 * fall)
    return max(int(fallen[0]) - 1, 0) if fallen.size else None


def _calm(values: Array) -> Array:
    """`values` smoothed over five blocks, so that noise does not pass for an arrival."""
    if values.size < 5:
        return values
    return np.convolve(np.pad(values, 2, mode="edge"), np.full(5, 0.2), mode="valid")


def _exponent(time: Array, away: Array) -> float | None:
    """Slope of log(gap - end) against log(time), with its sign turned."""
    if away.size < _FEWEST or away[0] <= 2.0 * NEAR:
        return None
    inside = (time > 0.0) & (away < 0.8 * away[0]) & (away > max(0.05 * away[0], 0.5 * NEAR))
    gone = np.flatnonzero(inside)
    if gone.size < _FEWEST:
        return None
    return -fit_line(np.log(time[gone]), y=np.log(away[gone])).slope
