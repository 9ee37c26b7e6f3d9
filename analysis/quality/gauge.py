"""A study of a measuring system: how much of the scatter of figures is the material, the operator, the repeat.

Crossed study, p parts by o operators by r repeats, all random; mean squares MS by the analysis of variance:

    repeat        s2_e = MS_e                      part by operator  s2_po = max(0, (MS_po - MS_e) / r)
    operator      s2_o = max(0, (MS_o - MS_po) / pr)          part   s2_p  = max(0, (MS_p - MS_po) / or)

The measuring system is s2_e + s2_po + s2_o. A paste is used up when it is applied: a crossed study needs a solid
reference, or batches uniform enough for fresh portions to count as one part.

1. Burdick, Borror and Montgomery (2003), Journal of Quality Technology 35, 342 (review of such studies).
2. ASTM E2782, measurement systems analysis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.errors import OutOfRange

# distinct classes of parts that figures can tell apart: 1.41 is the root of 2
CLASSES = 1.41


@dataclass(frozen=True, slots=True)
class Effect:
    """One line of the analysis of variance: sum of squares, degrees of freedom, F and its p (None for the repeats)."""

    sum_of_squares: float
    dof: int
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """The mean square, in the unit of the values squared."""
        return self.sum_of_squares / self.dof


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Variances in the unit of the values squared, and the analysis of variance they come from."""

    part: Effect
    operator: Effect
    interaction: Effect
    repeat: Effect
    part_variance: float
    operator_variance: float
    interaction_variance: float
    repeat_variance: float

    @property
    def system_variance(self) -> float:
        """Variance of the measuring system: repeat, operator and their interplay with parts."""
        return self.repeat_variance + self.interaction_variance + self.operator_variance

    @property
    def total_variance(self) -> float:
        """Variance of a figure of a part taken at random."""
        return self.system_variance + self.part_variance

    @property
    def system_share(self) -> float:
        """Standard deviation of the measuring system over the total one, 0 to 1."""
        return math.sqrt(self.system_variance / self.total_variance)

    @property
    def classes(self) -> int:
        """How many classes of parts the figures tell apart."""
        return int(CLASSES * math.sqrt(self.part_variance / self.system_variance))

    def of_tolerance(self, width: float) -> float:
        """Six standard deviations of the measuring system over the width of the limits."""
        return 6.0 * math.sqrt(self.system_variance) / width


def gauge_study(values: ArrayLike) -> GaugeStudy:
    """Part the scatter of a crossed study.

    Parameters: values, shape (parts, operators, repeats), each at least 2, no gaps, in one unit.
    Returns: GaugeStudy. Raises: OutOfRange. Source: [1], [2].
    """
    x = np.asarray(values, dtype=float)
    if x.ndim != 3 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise OutOfRange("a study takes parts x operators x repeats, each at least 2, without gaps", code="bad-study")
    part, operator, interaction, repeat = _effects(x)
    p, o, r = x.shape
    return GaugeStudy(
        part,
        operator,
        interaction,
        repeat,
        _component(part.mean_square - interaction.mean_square, o * r),
        _component(operator.mean_square - interaction.mean_square, p * r),
        _component(interaction.mean_square - repeat.mean_square, r),
        repeat.mean_square,
    )


def _component(difference: float, count: int) -> float:
    return max(difference / count, 0.0)


def _effects(x: np.ndarray) -> tuple[Effect, Effect, Effect, Effect]:
    p, o, r = x.shape
    mean = x.mean()
    parts, operators, cells = x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), x.mean(axis=2)
    repeat = Effect(float(((x - cells[:, :, None]) ** 2).sum()), p * o * (r - 1))
    apart = cells - parts[:, None] - operators[None, :] + mean
    interaction = _tested(r * float((apart**2).sum()), (p - 1) * (o - 1), against=repeat)
    part = _tested(o * r * float(((parts - mean) ** 2).sum()), p - 1, against=interaction)
    operator = _tested(p * r * float(((operators - mean) ** 2).sum()), o - 1, against=interaction)
    return part, operator, interaction, repeat


def _tested(sum_of_squares: float, dof: int, *, against: Effect) -> Effect:
    if not against.mean_square > 0.0:
        return Effect(sum_of_squares, dof)
    f = sum_of_squares / dof / against.mean_square
    return Effect(sum_of_squares, dof, f, float(special.fdtrc(dof, against.dof, f)))
