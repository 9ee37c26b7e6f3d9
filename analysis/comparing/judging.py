"""From applications to an order: spread, simultaneous differences, letters, ranks, neighbours.

1. JCGM 100:2008, G.4 (effective degrees of freedom).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.comparing.applications import Application, shared_effects, unshared_variance
from analysis.comparing.matching import Result
from analysis.comparing.standings import Neighbours, Order, Spread, Standing
from analysis.quantities import QUANTITIES
from analysis.results import Severity
from analysis.statistics.letters import compact_letters
from analysis.statistics.multiple import Differences, against_reference, all_pairs
from analysis.statistics.one_way import FTest, Groups, anova, brown_forsythe, summarise, welch_anova
from analysis.statistics.power import Plan, needed_per_group, smallest_difference
from analysis.statistics.student import coverage_factor
from analysis.units import shown_difference

Array = NDArray[np.float64]

HIGHER_IS_BETTER = frozenset({"apparent_conductivity", "conductivity"})
_LAST_DIGITS = 1e-13
SPREADS = ("test", "pooled", "separate")  # by Levene's test, or as a person chose
POOLING_RISK = 0.05  # Levene's test below this: the spreads differ and are not pooled


@dataclass(frozen=True, slots=True)
class Field:
    """Samples to be judged together, best first, each a list of two or more applications."""

    samples: tuple[tuple[Application, ...], ...]
    groups: Groups
    spread: Spread
    effects: Array  # shared contributions to the mean, shape (samples, causes)

    @property
    def between(self) -> Array:
        """Standard uncertainty of each mean from the scatter between applications."""
        variance = self.spread.sd**2 if self.spread.pooled else self.groups.variance
        return np.asarray(np.sqrt(variance / self.groups.n))

    @property
    def dof(self) -> Array:
        """Degrees of freedom of `between`."""
        return np.full(self.groups.count, self.spread.dof) if self.spread.pooled else self.groups.n - 1.0


def gather(samples: Sequence[Sequence[Application]], *, figure: str, spread: str = "test") -> Field:
    """Put samples in order and decide how the scatter between their applications is taken: one of `SPREADS`."""
    ordered = best_first(samples, figure=figure)
    values = np.array([one.value for sample in ordered for one in sample])
    label = np.repeat(np.arange(len(ordered)), [len(sample) for sample in ordered])
    groups = summarise(values, group=label)
    own = float(np.mean([one.own for sample in ordered for one in sample]))
    groups, found = _spread(groups, brown_forsythe(values, group=label), own, spread)
    return Field(ordered, groups, found, shared_effects(ordered))


def best_first(samples: Sequence[Sequence[Application]], *, figure: str) -> tuple[tuple[Application, ...], ...]:
    """Samples by their mean, the best first."""
    sign = -1.0 if figure in HIGHER_IS_BETTER else 1.0

    def standing(sample: Sequence[Application]) -> float:
        return sign * math.fsum(one.value for one in sample) / len(sample)

    return tuple(tuple(sample) for sample in sorted(samples, key=standing))


def put_in_order(field: Field, *, confidence: float, provisional: bool, ranks: bool = True) -> Order:
    """The samples of a field with their intervals and, if there are `ranks` to give, letters, ranks and differences."""
    items = _standings(field, confidence, provisional=provisional)
    if len(items) < 2 or not ranks:
        return Order(items, spread=field.spread)
    extra = unshared_variance(field.effects)
    pairs = all_pairs(field.groups, pooled=field.spread.pooled, confidence=confidence, extra=extra)
    significant = pairs.matrix(len(items))
    better = np.triu(significant, 1).sum(axis=0)  # rows come best first
    told = zip(items, compact_letters(significant), better, strict=True)
    ranked = tuple(replace(item, letters=letters, rank=1 + int(number)) for item, letters, number in told)
    plan = Plan(field.spread.sd, groups=len(items), confidence=confidence)
    return Order(ranked, pairs, field.spread, _neighbours(field, significant, extra, plan), _smallest(field, plan))


def set_against(field: Field, *, reference: str, confidence: float) -> Differences:
    """Every sample of a field less the reference."""
    return against_reference(
        field.groups,
        reference=[sample[0].sample for sample in field.samples].index(reference),
        pooled=field.spread.pooled,
        confidence=confidence,
        extra=unshared_variance(field.effects),
    )


def singles(samples: Sequence[Sequence[Application]], *, figure: str, spread: Spread | None) -> tuple[Standing, ...]:
    """Samples with one application: a value, and in words that its scatter is not known from its own data."""
    note = f"one application: no interval from own data; {_scatter(spread, figure)}"
    ordered = best_first(samples, figure=figure)
    common = np.sqrt(np.sum(shared_effects(ordered) ** 2, axis=1))
    plain = [_standing(one, one[0].value, float(u), provisional=True) for one, u in zip(ordered, common, strict=True)]
    return tuple(replace(one, notes=(note, *one.notes)) for one in plain)


def _scatter(spread: Spread | None, figure: str) -> str:
    if spread is None:
        return "the scatter between applications is unknown"
    sd = shown_difference(spread.sd, figure)
    return f"other samples scatter by s = {sd:.2g} {QUANTITIES[figure].shown}, {spread.dof:.0f} degrees of freedom"


def _spread(groups: Groups, test: FTest | None, own: float, choice: str) -> tuple[Groups, Spread]:
    """The groups, and how their spread is taken. Where all applications of each sample agree to the last digit, the
    runs' own variance stands in, so that no difference passes as certain."""
    unscattered = math.sqrt(groups.pooled_variance) <= _LAST_DIGITS * float(np.abs(groups.mean).max())
    if unscattered:
        groups = replace(groups, variance=np.full(groups.count, own))
    by_test = test is None or test.p >= POOLING_RISK
    if unscattered or choice == "pooled" or (choice == "test" and by_test):
        overall = anova(groups) if groups.count > 1 else FTest(math.nan, 0.0, groups.dof, math.nan)
        return groups, Spread(
            True, math.sqrt(groups.pooled_variance), groups.dof, test, overall, unscattered, choice != "test"
        )
    overall = welch_anova(groups) if bool(np.all(groups.variance > 0.0)) else anova(groups)
    dof = float(groups.variance.sum() ** 2 / np.sum(groups.variance**2 / (groups.n - 1.0)))
    return groups, Spread(False, math.sqrt(float(groups.variance.mean())), dof, test, overall, chosen=choice != "test")


def _smallest(field: Field, plan: Plan) -> float:
    n = field.groups.count / float(np.sum(1.0 / field.groups.n))
    return smallest_difference(plan, n=n, dof=field.spread.dof)


def _neighbours(field: Field, significant: NDArray[np.bool_], extra: Array, plan: Plan) -> tuple[Neighbours, ...]:
    groups, upper = field.groups, np.arange(field.groups.count - 1)
    lower = upper + 1
    difference = groups.deviation[upper] - groups.deviation[lower]
    rest = field.spread.dof - groups.n[upper] - groups.n[lower] + 2.0 if field.spread.pooled else np.zeros(upper.shape)
    needed = np.zeros(upper.shape, dtype=np.intp)
    if plan.sd > 0.0:
        needed = needed_per_group(difference, plan=plan, other_dof=np.maximum(rest, 0.0), extra=extra[upper, lower])
    names = [sample[0].sample for sample in field.samples]
    return tuple(
        Neighbours(names[i], names[i + 1], float(difference[i]), bool(significant[i, i + 1]), int(needed[i]) or None)
        for i in range(groups.count - 1)
    )


def _standings(field: Field, confidence: float, *, provisional: bool) -> tuple[Standing, ...]:
    between, common = field.between, np.sqrt(np.sum(field.effects**2, axis=1))
    u = np.hypot(between, common)
    dof = np.where(between > 0.0, field.dof * (u / np.where(between > 0.0, between, 1.0)) ** 4, np.inf)
    half = coverage_factor(dof, confidence=confidence) * u
    standings = []
    for place, sample in enumerate(field.samples):
        mean = float(field.groups.mean[place])
        plain = _standing(sample, mean, float(common[place]), provisional=provisional)
        standings.append(
            replace(
                plain,
                u=float(u[place]),
                dof=float(dof[place]),
                u_between=float(between[place]),
                interval=(mean - float(half[place]), mean + float(half[place])),
            )
        )
    return tuple(standings)


def _standing(sample: Sequence[Application], mean: float, common: float, *, provisional: bool) -> Standing:
    runs = [run for one in sample for run in one.runs]
    return Standing(
        sample=sample[0].sample,
        n=len(sample),
        runs=len(runs),
        mean=mean,
        u_common=common,
        provisional=provisional,
        values=tuple((one.name, one.value) for one in sample),
        rigs=tuple(sorted({str(run.conditions.get("rig", "")) for run in runs} - {""})),
        result_ids=tuple(run.id for run in runs),
        notes=_run_notes(sample, runs),
    )


def _run_notes(sample: Sequence[Application], runs: Sequence[Result]) -> tuple[str, ...]:
    notes = {f"{run.id}: flag {code} overridden": None for run in runs for code in run.overridden}
    cautions = [(run.id, flag) for run in runs for flag in run.flags if flag.severity is Severity.CAUTIONS]
    notes |= {f"{run}: {flag.message}": None for run, flag in cautions}
    if any(not one.name for one in sample):
        notes["runs that name no application count as one application"] = None
    return tuple(notes)
