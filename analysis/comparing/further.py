"""What else a ranking's numbers can tell: who is probably best, who is as good as another, which value stands apart,
how many more applications part two neighbours, how much rigs and days scatter.

The unit stays the application. Nothing here drops a value or changes the order.

1. D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987), 657-680: two one-sided tests; S. Holm (1979): several at once.
2. JCGM 101:2008: distributions by Monte Carlo.
3. R. D. Cook, S. Weisberg, Residuals and Influence in Regression (1982), 2.2.2: a value against the rest, Bonferroni.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.comparing.judging import HIGHER_IS_BETTER, Field
from analysis.comparing.matching import difference_unit
from analysis.comparing.ranking import Ranking
from analysis.comparing.standings import Neighbours
from analysis.errors import OutOfRange
from analysis.statistics.mixed import fit_mixed
from analysis.statistics.multiple import Differences, holm
from analysis.statistics.student import two_sided_p
from analysis.units import shown, shown_difference

Array = NDArray[np.float64]

TRIALS = 20_000
RISK = 0.05
_MOST_DRAWN = 4_000_000  # values drawn at once
_MOST_FITTED = 400  # applications in a mixed model
_MOST_PAIRS = 60  # samples; above, equivalence is told of neighbours only
_ROUNDING = 1e-9


def further(ranking: Ranking, *, margin: float | None = None) -> dict[str, Any]:
    """The further statistics of a ranking, ready for JSON, in the units people see.

    `margin` [shown unit of a difference] within which two samples count as the same, stated before looking.
    Raises OutOfRange for a margin that is not above nought.
    """
    if margin is not None and not (math.isfinite(margin) and margin > 0.0):
        raise OutOfRange(f"the margin is {margin:g}; expected a value above nought")
    field, figure = ranking.field, ranking.figure
    unit = difference_unit(figure)
    if field is None or ranking.refusals or len(field.samples) < 2:
        return {"best": None, "outliers": [], "more": [], "equivalence": None, "mixed": None, "unit": unit}
    return {
        "best": probably_best(ranking, field),
        "outliers": standing_apart(field, figure),
        "more": [_more(pair, field, figure) for pair in ranking.ranked.neighbours if not pair.separated],
        "equivalence": None if margin is None else _equivalence(ranking, margin),
        "mixed": _mixed(field, figure),
        "unit": unit,
    }


def probably_best(ranking: Ranking, field: Field, *, trials: int = TRIALS) -> dict[str, Any]:
    """How probable it is that each sample is the best, by random draws from what is known of the means. [2]

    The seed follows from the results' names, so that the same results give the same probabilities.
    """
    names = "".join(sorted(one for item in ranking.ranked.items for one in item.result_ids))
    seed = int.from_bytes(hashlib.sha256(names.encode()).digest()[:4], "big")
    count = len(field.samples)
    trials = max(1000, min(trials, _MOST_DRAWN // count))
    means = _draw(field, np.random.default_rng(seed), trials)
    best = means.argmax(axis=1) if ranking.figure in HIGHER_IS_BETTER else means.argmin(axis=1)
    share = np.bincount(best, minlength=count) / trials
    told = [
        {"sample": sample[0].sample, "probability": float(one), "u": math.sqrt(float(one * (1 - one)) / trials)}
        for sample, one in zip(field.samples, share, strict=True)
    ]
    return {"seed": seed, "trials": trials, "samples": told}


def _draw(field: Field, rng: np.random.Generator, trials: int) -> Array:
    """Means as they could be: the scatter by Student's t, shared contributions once for all samples."""
    dof = field.dof
    if field.spread.pooled:
        chi = np.sqrt(dof[0] / rng.chisquare(dof[0], (trials, 1)))
    else:
        chi = np.sqrt(dof / rng.chisquare(dof, (trials, dof.size)))
    scatter = rng.standard_normal((trials, dof.size)) * field.between * chi
    causes = rng.standard_normal((trials, field.effects.shape[1]))
    return np.asarray(field.groups.deviation + scatter + causes @ field.effects.T)


def standing_apart(field: Field, figure: str) -> list[dict[str, Any]]:
    """The applications that stand apart from their sample: marked with their probability, never dropped. [3]"""
    values = np.array([one.value for sample in field.samples for one in sample])
    sizes = np.repeat(field.groups.n, field.groups.n.astype(int))
    means = np.repeat(field.groups.mean, field.groups.n.astype(int))
    names = [(sample[0].sample, one.name) for sample in field.samples for one in sample]
    p = outlier_probabilities(values - means, sizes=sizes, dof=field.groups.dof)
    return [
        {
            "sample": names[place][0],
            "application": names[place][1],
            "value": shown(float(values[place]), figure),
            "p": float(p[place]),
        }
        for place in np.flatnonzero(p < RISK)
    ]


def outlier_probabilities(residuals: Array, *, sizes: Array, dof: float) -> Array:
    """Probability of a residual this large among all of them: Student's t of each against the spread of the rest. [3]

    Parameters: `residuals` from the means of their groups, of `sizes`; `dof` degrees of freedom of the pooled spread.
    """
    variance = float(residuals @ residuals) / dof if dof > 0.0 else 0.0
    left = np.where(sizes > 1.0, 1.0 - 1.0 / sizes, np.inf)
    if dof < 2.0 or not variance > 0.0:
        return np.ones(residuals.shape)
    inner = residuals**2 / (variance * left)
    t = np.sqrt(inner * (dof - 1.0) / np.maximum(dof - inner, 1e-12))
    return np.asarray(np.minimum(residuals.size * two_sided_p(t, dof=dof - 1.0), 1.0))


def _more(pair: Neighbours, field: Field, figure: str) -> dict[str, Any]:
    """How many more applications of each would probably part two neighbours, and on which rigs they tell most."""
    by_name = {sample[0].sample: sample for sample in field.samples}
    rigs = [
        {str(run.conditions.get("rig", "")) for one in by_name[name] for run in one.runs} - {""}
        for name in (pair.better, pair.worse)
    ]
    both = sorted(rigs[0] & rigs[1])
    counts = [len(by_name[name]) for name in (pair.better, pair.worse)]
    return {
        "better": pair.better,
        "worse": pair.worse,
        "difference": shown_difference(abs(pair.difference), figure),
        "needed": pair.needed,
        "more": None if pair.needed is None else [max(pair.needed - count, 0) for count in counts],
        "rigs": both or sorted(rigs[0] | rigs[1]),
        "shared_rig": bool(both),
    }


def _equivalence(ranking: Ranking, margin: float) -> dict[str, Any] | None:
    """Which samples are the same within the margin: two one-sided tests of each pair, Holm's correction. [1]"""
    pairs, figure = ranking.ranked.differences, ranking.figure
    if pairs is None:
        return None
    wanted = margin / shown_difference(1.0, figure)
    items = ranking.ranked.items
    chosen = np.arange(pairs.difference.size)
    if len(items) > _MOST_PAIRS:
        chosen = np.flatnonzero(pairs.second - pairs.first == 1)
    p = holm(_one_sided(pairs, wanted)[chosen])
    told = [
        {
            "first": items[int(pairs.first[place])].sample,
            "second": items[int(pairs.second[place])].sample,
            "difference": shown_difference(float(pairs.difference[place]), figure),
            "p": float(one),
            "same": bool(one < 1.0 - ranking.confidence + _ROUNDING),
        }
        for place, one in zip(chosen, p, strict=True)
    ]
    return {"margin": margin, "risk": 1.0 - ranking.confidence, "pairs": told}


def _one_sided(pairs: Differences, margin: float) -> Array:
    """The larger of both one-sided probabilities for each pair."""
    inner = (margin - np.abs(pairs.difference)) / np.where(pairs.se > 0.0, pairs.se, 1e-300)
    certain = special.ndtr(-inner)
    with_dof = special.stdtr(np.where(np.isfinite(pairs.dof), pairs.dof, 1.0), -inner)
    return np.asarray(np.where(np.isfinite(pairs.dof), with_dof, certain))


def _mixed(field: Field, figure: str) -> dict[str, Any] | None:
    """The scatter of rigs, days and batches, and each sample's mean with it; None where there is one of each."""
    each = [(sample[0].sample, one) for sample in field.samples for one in sample]
    levels = {key: [_word([run.conditions.get(key) for run in one.runs]) for _, one in each] for key in _LEVELS}
    levels = {key: words for key, words in levels.items() if "" not in words and len(set(words)) > 1}
    if not levels or len(each) > _MOST_FITTED or field.spread.stand_in:
        return None
    found = fit_mixed([one.value for _, one in each], group=[name for name, _ in each], levels=levels)
    means = {name: found.mean(name) for name in found.names}
    return {
        "levels": [{"level": key, "sd": shown_difference(sd, figure)} for key, sd in found.sd.items()],
        "residual": shown_difference(found.residual, figure),
        "means": [
            {"sample": name, "mean": shown(one.value, figure), "u": shown_difference(one.u, figure), "dof": one.dof}
            for name, one in means.items()
        ],
    }


_LEVELS = ("batch", "rig", "day")


def _word(words: Sequence[object]) -> str:
    """The one word of an application's runs; "" where they differ or do not say."""
    found = {str(word or "") for word in words}
    return found.pop() if len(found) == 1 else ""
