"""Zero: what the gap sensor reads on closed blocks."""

from __future__ import annotations

from analysis.results import BudgetLine, Measured, Reduction, Settled, Trace
from analysis.setup import RigSetup
from analysis.statistics.uncertainty import Estimate
from analysis.steady.figures import judge
from analysis.steady.window import Rig, Window
from analysis.steady.zero import measured_zero

NAME = "zero"
VERSION = "1"


def reduce_zero(trace: Trace, setup: RigSetup) -> Reduction:
    """Reduce a zero run: the mean gap reading on closed blocks, and how warm the blocks were.

    Parameters: `trace` the run on closed blocks, `setup` the rig it was made on.
    Returns a reduction with the figures gap (the sensor's reading, not a distance) and, where the rig has the sensors,
    hot_temperature and cold_temperature, each the mean over the last stretch in which the gap keeps still.
    Raises BadSetup where the setup or the file has no gap channel.
    """
    zero = measured_zero(trace, rig=Rig(setup))
    window = zero.window
    if window is None:
        raise ValueError("a measured zero has a window")
    figures: dict[str, Measured] = {}
    budget: dict[str, tuple[BudgetLine, ...]] = {}
    for name in ("gap", "hot_temperature", "cold_temperature"):
        if window.has(name):
            figures[name], budget[name] = judge(window.mean(name), window=window)
    return Reduction(
        method=NAME,
        method_version=VERSION,
        run=_described(trace),
        settled=_settled(window),
        figures=figures,
        budget=budget,
        notes=dict(trace.notes),
        setup=setup.source,
        files={"zero": trace.sha256},
    )


def _settled(window: Window) -> Settled:
    gap: Estimate = window.mean("gap")
    rows = window.rows.stop - window.rows.start
    effective = window.together.scatter(gap).effective if window.together.sources else 1.0
    return Settled(found=True, start_s=window.start, end_s=window.end, rows=rows, effective_rows=effective)


def _described(trace: Trace) -> dict[str, object]:
    described: dict[str, object] = {
        "file": trace.file,
        "sha256": trace.sha256,
        "rows": trace.rows,
        "seconds": trace.seconds,
    }
    if trace.start is not None:
        described["start"] = trace.start.isoformat()
    return described
