"""A zero run by itself: what the gap sensor reads on closed blocks, and how warm they are."""

from __future__ import annotations

from analysis.results import BudgetLine, Measured, Reduction, Settled, Trace
from analysis.setup import RigSetup
from analysis.statistics.uncertainty import evaluate
from analysis.steady.window import Rig, Window
from analysis.steady.zero import measured_zero

NAME = "zero"
VERSION = "1"


def reduce_zero(trace: Trace, setup: RigSetup) -> Reduction:
    """The reading of a zero run over its last still stretch [m], and the mean temperature of the blocks [K].

    Raises BadSetup where the setup has no gap channel or the run no reading of it.
    """
    zero = measured_zero(trace, rig=Rig(setup))
    figures: dict[str, Measured] = {}
    budget: dict[str, tuple[BudgetLine, ...]] = {}
    figures["zero_reading"], budget["zero_reading"] = evaluate(zero.reading)
    if zero.temperature is not None:
        figures["temperature"], budget["temperature"] = evaluate(zero.temperature)
    return Reduction(
        method=NAME,
        method_version=VERSION,
        run=_described(trace),
        settled=_settled(zero.window),
        figures=figures,
        budget=budget,
        notes=trace.notes,
        setup=setup.source,
        files={"run": trace.sha256},
    )


def _settled(window: Window | None) -> Settled:
    return Settled(False) if window is None else Settled(True, start_s=window.start, end_s=window.end)


def _described(trace: Trace) -> dict[str, object]:
    described: dict[str, object] = {
        "file": trace.file,
        "sha256": trace.sha256,
        "rows": trace.rows,
        "seconds": trace.seconds,
    }
    return described | ({"start": trace.start.isoformat()} if trace.start else {})
