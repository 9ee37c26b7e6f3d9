"""Ageing series: how specimens change over weeks and months, each against its own start."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.results import Outcome, Reduction
from analysis.study.reporting import reduce_specimens

NAME = "ageing"
VERSION = "1"


def reduce_ageing(
    results: Sequence[Reduction],
    *,
    names: Sequence[str] = (),
    overridden: Sequence[Sequence[str]] = (),
    figure: str = "thermal_impedance",
) -> Outcome:
    """The mean change of several specimens over time, paired with their own starts. [1]

    Parameters: `results` reductions that tell when they were taken and which application (or sample) they are of, at
    least two times of at least two specimens; `figure` what is followed. The first result of each specimen in time is
    its start. Returns `change_per_1000_h` (least-squares slope of each specimen, then mean and scatter over the
    specimens) and, where the last ages agree, `relative_change`. The parts of the outcome: `specimens` ages, values
    and changes; `unpaired` what the same results would tell without pairing; `left_out` with reasons.
    Valid where a rig keeps its calibration over the series, for a common drift of it counts as the specimens'.

    1. JCGM 100:2008, 4.2; paired comparison as in any text on statistics.
    """
    return reduce_specimens(results, names=names, overridden=overridden, key=figure, method=(NAME, VERSION))
