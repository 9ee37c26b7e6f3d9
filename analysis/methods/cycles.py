"""Power or temperature cycling: figures at each soak, how they drift, and when they reach a limit."""

from __future__ import annotations

from analysis.cycling.reporting import reduce_cycles_trace
from analysis.results import Outcome, Trace
from analysis.setup import RigSetup

NAME = "cycles"
VERSION = "1"


def reduce_cycles(trace: Trace, setup: RigSetup, *, zero: Trace | None = None, limit: float | None = None) -> Outcome:
    """Find the cycles of a run, the figures of each at soak, and their drift. [1], [2], [3]

    Parameters: `trace` the run, `setup` the rig it was made on, `zero` a run on closed blocks before it, `limit` the
    impedance [m2 K/W] that is asked for, one fifth above the start where none is given.
    Returns the figures of the last soak (`thermal_impedance`, `temperature_rise`, `gap`), and of the drift:
    `impedance_change` (mean of the last tenth of the cycles less that of the first), `relative_change`,
    `impedance_drift` (per cycle, robust), `gap_change`. Without cycles the figures are empty and a flag says why.
    The parts of the outcome (units as people see them): `cycles` what is cycled, their period, and each soak; `drift`
    for each figure the robust slope per cycle with its 95 % interval, the change, the probability of no trend, the
    shapes tried (linear, square root of the cycles, power, saturating, onset) and the best; `limit` when it is
    reached with a 95 % prediction interval, or why no number is given.
    Valid for cycles alike; a course is never carried on beyond twice the cycles done, nor where shapes that the
    cycles do not tell apart disagree on whether the limit is reached at all.
    Raises BadSetup where the setup names a column that is not there or lacks what the rig's method needs.

    1. H. Theil (1950), P. K. Sen (1968): median of pairwise slopes.
    2. E. J. Williams, Regression Analysis (1959): inverse prediction.
    3. JCGM 100:2008.
    """
    return reduce_cycles_trace(trace, setup, zero=zero, limit=limit, method=(NAME, VERSION))
