"""Thickness series: bulk conductivity and contact impedance from impedances at several gaps."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.results import Outcome, Reduction, Trials
from analysis.thickness.reporting import reduce_points

NAME = "series"
VERSION = "1"


def reduce_series(
    results: Sequence[Reduction],
    *,
    names: Sequence[str] = (),
    overridden: Sequence[Sequence[str]] = (),
    trials: Trials | None = None,
) -> Outcome:
    """Bulk conductivity and contact impedance from a line through impedance against gap. [1], [2], [3]

    Parameters: `results` reductions of at least three specimens or gaps of one material at one pressure; `names` what
    they are called in messages; `overridden` for each result the codes of flags that a named person has overruled;
    `trials` to propagate slope, intercept and conductivity by Monte Carlo as well.
    Returns the figures `conductivity` and `contact_impedance`; without a defensible line the figures are empty and a
    flag says why, and which spread of gaps would do. The parts of the outcome (units as people see them):
    `results` every result with its gap, its impedance and its distance from the line, or why it was left out;
    `line` slope, intercept, their uncertainties and correlation, `zero_offset` where the intercept is below zero;
    `tests` the probabilities of lack of fit (against the stated uncertainties, and against replicates) and curvature.
    Formula: R = R_c + d / k, with uncertainties in both coordinates; errors that several results share (the zero of
    the gap, one rig's sensors, its area) are carried through the line as common and do not average out.
    Valid for one material whose conductivity and contacts do not change with the gap.

    1. ASTM D5470, thermal transmission properties of thermally conductive electrical insulation materials.
    2. D. York et al., Am. J. Phys. 72 (2004) 367.
    3. JCGM 100:2008, 5.2 and H.3.
    """
    return reduce_points(results, names=names, overridden=overridden, method=(NAME, VERSION), trials=trials)
