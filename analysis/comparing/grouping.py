"""Matching without a method's word for it: the largest group of results that agree among themselves.

The tolerances are proposals (common practice, no source): pressure 5 %, heat flow 10 %, mean temperature 5 K, the same
area, the same method, surfaces and gap mode. They are printed with every ranking made by them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.comparing.matching import Condition, Conditions, Result

Array = NDArray[np.float64]

NUMBERS: tuple[Condition, ...] = (
    Condition("area", relative=0.001),  # the same area, allowing for rounding
    Condition("pressure", relative=0.05),
    Condition("heat_flow", relative=0.10),
    Condition("mean_temperature", tolerance=5.0),
)
WORDS = ("method", "surfaces", "gap_mode")
_MOST_CENTRES = 400


def agreeing_conditions(results: Sequence[Result]) -> Conditions:
    """The conditions of the largest group of results that agree: most applications, then most samples.

    Every result in turn is tried as the centre of a group (where there are very many, one from each crowded cell). What
    no result states is not asked for.
    """
    by_words: dict[tuple[str, ...], list[Result]] = defaultdict(list)
    for result in results:
        by_words[tuple(str(result.conditions.get(key, "")) for key in WORDS)].append(result)
    best: tuple[tuple[int, int], tuple[str, ...], Array] | None = None
    for words in sorted(by_words):
        size, centre = _largest(by_words[words])
        if best is None or size > best[0]:
            best = (size, words, centre)
    return Conditions((), declared=False) if best is None else _conditions(best[1], best[2])


def _largest(results: list[Result]) -> tuple[tuple[int, int], Array]:
    values = np.array([[_number(result, condition.key) for condition in NUMBERS] for result in results])
    _, application = np.unique([f"{result.sample}\t{result.application}" for result in results], return_inverse=True)
    _, sample = np.unique([result.sample for result in results], return_inverse=True)
    best, members, anchor = (0, 0), np.zeros(len(results), dtype=bool), values[0]
    for centre in _centres(values):
        inside = _inside(values, centre)
        size = (np.unique(application[inside]).size, np.unique(sample[inside]).size)
        if size > best:
            best, members, anchor = size, inside, centre
    return best, _middle(values, members, anchor)


def _middle(values: Array, members: NDArray[np.bool_], anchor: Array) -> Array:
    """The medians of the group, a plainer centre than the one it was found by, if the whole group still agrees."""
    with np.errstate(all="ignore"):
        middle = np.array([np.median(column) for column in values[members].T])
    return middle if bool(np.all(_inside(values, middle)[members])) else anchor


def _centres(values: Array) -> Array:
    """The different rows to try, lowest first; where there are very many, one from each of the most crowded cells."""
    distinct = np.unique(values, axis=0)
    if len(distinct) <= _MOST_CENTRES:
        return distinct
    with np.errstate(invalid="ignore", divide="ignore"):
        cells = np.column_stack([_cell(values[:, number], condition) for number, condition in enumerate(NUMBERS)])
    _, first, count = np.unique(np.nan_to_num(cells, nan=-1e9), axis=0, return_index=True, return_counts=True)
    crowded = first[np.argsort(-count, kind="stable")[:_MOST_CENTRES]]
    return np.unique(values[crowded], axis=0)


def _cell(column: Array, condition: Condition) -> Array:
    quarter = 0.25 * (condition.relative or condition.tolerance)
    return np.round((np.log(np.abs(column)) if condition.relative else column) / quarter)


def _inside(values: Array, centre: Array) -> NDArray[np.bool_]:
    width = np.array(
        [max(one.tolerance, one.relative * abs(value)) for one, value in zip(NUMBERS, centre, strict=True)]
    )
    unknown = np.isnan(values) & np.isnan(centre)
    return np.asarray(np.all(unknown | (np.abs(values - centre) <= width * (1.0 + 1e-9)), axis=1))


def _conditions(words: tuple[str, ...], centre: Array) -> Conditions:
    keys = [Condition(key, allowed=(word,)) for key, word in zip(WORDS, words, strict=True) if word]
    for condition, value in zip(NUMBERS, centre, strict=True):
        if not math.isnan(value):
            keys.append(Condition(condition.key, float(value), condition.tolerance, condition.relative))
    return Conditions(tuple(keys), declared=False)


def _number(result: Result, key: str) -> float:
    value = result.conditions.get(key)
    return float(value) if isinstance(value, int | float) else math.nan
