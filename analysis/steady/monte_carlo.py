"""The figures of a reduction by Monte Carlo, beside the linear law. [1]

Every input (a sensor's calibration, a constant of the rig, the zero, the scatter of the readings) is drawn from its
distribution, and the figure worked out anew by the same arithmetic. The weights of a meter bar's sensors stay as they
are, and a coolant's properties go along their tangents.

1. JCGM 101:2008.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import replace

from analysis.results import Propagated, Trials
from analysis.statistics.monte_carlo import propagate_estimate
from analysis.steady.figures import Figures


def propagate_figures(figures: Figures, trials: Trials) -> Mapping[str, Propagated]:
    """Each figure that has an uncertainty, drawn with a seed of its own that follows from `trials.seed` and its key."""
    return {
        key: replace(
            propagate_estimate(
                figures.drawings[key], linear=measured, trials=replace(trials, seed=_seed(trials.seed, key))
            ),
            seed=trials.seed,
        )
        for key, measured in figures.measured.items()
        if measured.u > 0.0
    }


def _seed(seed: int, key: str) -> int:
    return (seed << 32) + zlib.crc32(key.encode())
