"""How the layer was pressed out: the gap before, the gap at the end, and how it got there."""

from __future__ import annotations

import numpy as np

from analysis.results import Array, Press
from analysis.steady.blocks import Grid, bridged, grid_of, mean_blocks
from analysis.steady.gap import Reference
from analysis.steady.run import Run
from analysis.steady.window import Window
from analysis.units import to_si

NEAR = to_si(1.0, "um", "length")  # [m] from the end that counts as there
_BLOCKS = 4000
_PRESSED = 0.5  # share of the plateau's force at which pressing begins
_MOVED = 2.0  # times `NEAR` a gap has to fall by to have been pressed
_BEGUN = 0.2  # share of the way after which the power law is looked at
_POINTS, _FEWEST = 200, 8  # of the power law, evenly spread in log time
_EXPONENTS = np.geomspace(0.05, 8.0, 120)
_FINER = 41  # exponents tried around the best


def find_press(run: Run, *, window: Window, reference: Reference | None) -> Press | None:
    """The press of a run whose settled window is `window`; None without a gap channel.

    Gaps are counted from the zero, what the blocks' warmth adds taken out, and left out without a zero. The power law
    is that of the approach: gap = end + c * (t - start of pressing)^(-exponent), by least squares, from a fifth of the
    way on.
    """
    if not window.has("gap"):
        return None
    grid = grid_of(run.time, rows=slice(0, window.rows.stop), blocks=_BLOCKS)
    gap = _gap(run, grid, reference)
    settled = grid.edges[:-1] >= window.rows.start
    if not np.isfinite(gap).all() or not settled.any():
        return None
    end = float(np.mean(gap[settled]))
    known = reference is not None
    begin = _begin(run, window, grid, gap, end=end)
    if begin is None:
        return Press(gap_end=end if known else None)
    time = grid.centres - grid.bounds[begin]
    far = np.flatnonzero(np.abs(_calm(gap - end)) > NEAR)
    arrived = int(far[-1]) + 1 if far.size else begin
    return Press(
        gap_before=float(np.median(gap[:begin])) if known and begin > 0 else None,
        gap_end=end if known else None,
        time_to_end=float(time[arrived]) if begin < arrived < time.size else None,
        exponent=_exponent(time[begin:], gap[begin:], end=end),
    )


def _gap(run: Run, grid: Grid, reference: Reference | None) -> Array:
    """The gap in blocks [m], less its zero and less what warmth adds; the reading itself without a zero."""
    gap = mean_blocks(run.signals["gap"], grid.edges)
    if reference is None:
        return gap
    gap = gap - reference.zero.reading.value
    cool = reference.zero.temperature
    warm = [mean_blocks(run.signals[name], grid.edges) for name in ("hot_temperature", "cold_temperature")]
    if cool is None or not all(np.isfinite(values).all() for values in warm):
        return gap
    return gap - run.setup.gap_expansion.value * (0.5 * (warm[0] + warm[1]) - cool.value)


def _begin(run: Run, window: Window, grid: Grid, gap: Array, *, end: float) -> int | None:
    """The block at which pressing begins: when the force comes, else when the gap starts to fall."""
    if window.has("force"):
        force = mean_blocks(run.signals["force"], grid.edges)
        on = force > _PRESSED * window.mean("force").value
        if not on[0] and on[-1]:
            return int(np.flatnonzero(~on)[-1]) + 1
    fall = float(gap[0]) - end
    if fall <= _MOVED * NEAR:
        return None
    fallen = np.flatnonzero(gap < gap[0] - 0.05 * fall)
    return max(int(fallen[0]) - 1, 0) if fallen.size else None


def _calm(values: Array) -> Array:
    """`values` smoothed over five blocks, so that noise does not pass for an arrival."""
    if values.size < 5:
        return values
    return np.convolve(np.pad(values, 2, mode="edge"), np.full(5, 0.2), mode="valid")


def _exponent(time: Array, gap: Array, *, end: float) -> float | None:
    """The exponent whose power law with an end of its own fits the gap best; None where nothing was pressed out."""
    way = float(gap[0]) - end
    if way <= _MOVED * NEAR:
        return None
    begun = np.flatnonzero((gap < gap[0] - _BEGUN * way) & (time > 0.0))
    if begun.size < _FEWEST:
        return None
    t, h = time[begun[0] :], bridged(gap[begun[0] :])
    wanted = np.searchsorted(t, np.geomspace(t[0], t[-1], _POINTS))
    points = np.unique(np.clip(wanted, 0, t.size - 1))
    best = _best(_EXPONENTS, t[points], h[points])
    step = _EXPONENTS[1] / _EXPONENTS[0]
    return _best(np.geomspace(best / step, best * step, _FINER), t[points], h[points])


def _best(exponents: Array, time: Array, gap: Array) -> float:
    """Of the exponents the one that leaves least: a straight line of the gap against time^-exponent."""
    x = time[None, :] ** -exponents[:, None]
    x = x - x.mean(axis=1, keepdims=True)
    y = gap - gap.mean()
    explained = (x @ y) ** 2 / np.sum(x * x, axis=1)
    return float(exponents[int(np.argmax(explained))])
