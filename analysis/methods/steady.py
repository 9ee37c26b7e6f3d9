"""Steady state: what a layer does to heat once the rig has settled."""

from __future__ import annotations

from analysis.results import Reduction, Trace
from analysis.setup import RigSetup
from analysis.steady.reducing import reduce_trace

NAME = "steady"
VERSION = "1"


def reduce_steady(
    trace: Trace,
    setup: RigSetup,
    *,
    zero: Trace | None = None,
    zero_after: Trace | None = None,
    window: tuple[float, float] | None = None,
) -> Reduction:
    """Reduce one run: find the settled plateau at nominal conditions and every figure over it. [1], [2]

    Parameters: `trace` the run, `setup` the rig it was made on, `zero` and `zero_after` runs on closed blocks before
    and after it, `window` two times in s of the run that a person chose instead of the plateau found.
    Returns the reduction; without a settled plateau its figures are empty and a flag says what was found.
    Raises BadSetup where the setup names a column that is not there or lacks what the rig's method needs.
    Valid for a layer between two blocks with heat flowing straight through.

    1. ASTM D5470, thermal transmission properties of thermally conductive electrical insulation materials (the kind of
       test; no claim to its full procedure).
    2. JCGM 100:2008, evaluation of measurement data: guide to the expression of uncertainty in measurement.
    """
    return reduce_trace(trace, setup, zero=zero, zero_after=zero_after, window=window, method=(NAME, VERSION))
