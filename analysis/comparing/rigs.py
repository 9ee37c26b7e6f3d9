"""The rigs' own effect, told from the samples' by those measured on more than one rig.

An additive model, value = sample + rig + scatter, with the application as the unit. It needs samples that link the
rigs, such as a reference measured on each; without them the two cannot be told apart. The effects are shown beside the
plain means, and the order without them beside the plain order: nothing is hidden in the means.

1. Least squares with the samples eliminated (the usual analysis of incomplete blocks); the tests hold it against a
   general least-squares solver.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.comparing.applications import Application
from analysis.comparing.standings import Adjusted, RigEffects
from analysis.results import Measured
from analysis.statistics.letters import compact_letters
from analysis.statistics.studentized_range import studentized_range_quantile

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Table:
    """Applications counted by sample (rows) and rig (columns)."""

    rigs: tuple[str, ...]
    value: Array
    sample: NDArray[np.intp]
    rig: NDArray[np.intp]
    count: Array


def rig_effects(
    samples: Sequence[Sequence[Application]], *, lower_is_better: bool, confidence: float
) -> RigEffects | None:
    """Effects of the rigs, and samples freed of them; None with one rig, or where no sample links the rigs. [1]"""
    table = _table(samples)
    if table is None:
        return None
    n = table.count.sum(axis=1)
    weight = table.count / n[:, None]
    left = np.diag(table.count.sum(axis=0)) - table.count.T @ weight
    rigs = len(table.rigs)
    dof = float(table.value.size - len(samples) - rigs + 1)
    if np.linalg.matrix_rank(left, tol=1e-9 * table.value.size) < rigs - 1 or dof < 1.0:
        return None
    centred = table.value - table.value.mean()
    mean = np.bincount(table.sample, centred) / n
    inverse = np.linalg.pinv(left, rcond=1e-12, hermitian=True)
    effect = inverse @ (np.bincount(table.rig, centred) - table.count.T @ mean)
    freed = mean - weight @ effect
    residual = centred - freed[table.sample] - effect[table.rig]
    variance = float(residual @ residual) / dof
    covariance = variance * (np.diag(1.0 / n) + weight @ inverse @ weight.T)
    effects = tuple(
        (name, Measured(float(effect[place]), math.sqrt(variance * float(inverse[place, place])), dof))
        for place, name in enumerate(table.rigs)
    )
    order = np.argsort(freed if lower_is_better else -freed, kind="stable")
    letters, better = _told_apart(freed[order], covariance[np.ix_(order, order)], dof, confidence)
    adjusted = tuple(
        Adjusted(
            sample=samples[int(row)][0].sample,
            measured=Measured(float(table.value.mean() + freed[row]), math.sqrt(float(covariance[row, row])), dof),
            letters=letters[place],
            rank=1 + int(better[place]),
        )
        for place, row in enumerate(order)
    )
    return RigEffects(effects, adjusted)


def _told_apart(
    freed: Array, covariance: Array, dof: float, confidence: float
) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Letters and the number of better samples, from differences with their own standard errors; best first."""
    if freed.size < 2:
        return ("a",), np.zeros(1, dtype=np.intp)
    own = np.diag(covariance)
    se = np.sqrt(np.maximum(own[:, None] + own[None, :] - 2.0 * covariance, 0.0))
    critical = float(studentized_range_quantile(confidence, groups=freed.size, dof=dof)) / math.sqrt(2.0)
    significant = np.abs(freed[:, None] - freed[None, :]) > critical * se
    return compact_letters(significant), np.triu(significant, 1).sum(axis=0)


def _table(samples: Sequence[Sequence[Application]]) -> _Table | None:
    """Counts by sample and rig; None with one rig or an application that does not name exactly one."""
    on = [{str(run.conditions.get("rig", "")) for run in one.runs} for sample in samples for one in sample]
    rigs = tuple(sorted(set().union(*on))) if on else ()
    if len(rigs) < 2 or "" in rigs or any(len(each) != 1 for each in on):
        return None
    place = {name: number for number, name in enumerate(rigs)}
    rig = np.array([place[next(iter(each))] for each in on], dtype=np.intp)
    sample = np.repeat(np.arange(len(samples)), [len(each) for each in samples]).astype(np.intp)
    count = np.zeros((len(samples), len(rigs)))
    np.add.at(count, (sample, rig), 1.0)
    return _Table(rigs, np.array([one.value for each in samples for one in each]), sample, rig, count)
