"""Run rules: patterns in a chart that hardly come by chance, though no point need lie beyond a limit.

Each rule looks at standardised points z = (x - level) / sigma. A rule set is chosen and named once; using both sets, or
rules beyond a set, raises false signals without saying so.

1. Champ and Woodall (1987), Technometrics 29, 393: the zone rules; in control a signal every 91.75 points on average.
2. Nelson (1984), Journal of Quality Technology 16, 237: eight tests for special causes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import OutOfRange
from analysis.results import Array

Marks = NDArray[np.bool_]
Rule = Callable[[Array], Marks]


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule broken at a point (from 0), with the rule in words."""

    point: int
    rule: str


def beyond_three(z: Array) -> Marks:
    """One point beyond three sigma."""
    return np.asarray(np.abs(z) > 3.0)


def two_of_three(z: Array) -> Marks:
    """Two of three neighbours beyond two sigma on one side."""
    return _count_in(z > 2.0, 3, least=2) & (z > 2.0) | _count_in(z < -2.0, 3, least=2) & (z < -2.0)


def four_of_five(z: Array) -> Marks:
    """Four of five neighbours beyond one sigma on one side."""
    return _count_in(z > 1.0, 5, least=4) & (z > 1.0) | _count_in(z < -1.0, 5, least=4) & (z < -1.0)


def eight_on_one_side(z: Array) -> Marks:
    """Eight points in a row on one side."""
    return _count_in(z > 0.0, 8, least=8) | _count_in(z < 0.0, 8, least=8)


def nine_on_one_side(z: Array) -> Marks:
    """Nine points in a row on one side."""
    return _count_in(z > 0.0, 9, least=9) | _count_in(z < 0.0, 9, least=9)


def six_rising_or_falling(z: Array) -> Marks:
    """Six points in a row, each above or each below the one before."""
    steps = np.diff(z, prepend=z[:1])
    return _count_in(steps > 0.0, 5, least=5) | _count_in(steps < 0.0, 5, least=5)


def fourteen_alternating(z: Array) -> Marks:
    """Fourteen points in a row going up and down in turn."""
    steps = np.diff(z)
    turns = np.concatenate([[False, False], steps[1:] * steps[:-1] < 0.0])
    return _count_in(turns[: z.size], 12, least=12)


def fifteen_within_one(z: Array) -> Marks:
    """Fifteen points in a row within one sigma."""
    return _count_in(np.abs(z) < 1.0, 15, least=15)


def eight_beyond_one(z: Array) -> Marks:
    """Eight points in a row beyond one sigma, on both sides."""
    beyond = _count_in(np.abs(z) > 1.0, 8, least=8)
    return beyond & ~_count_in(z > 0.0, 8, least=8) & ~_count_in(z < 0.0, 8, least=8)


@dataclass(frozen=True, slots=True)
class RuleSet:
    """Rules used together, and how often they signal while nothing is wrong (average points between false signals)."""

    name: str
    rules: tuple[Rule, ...]
    false_signal_every: float
    source: str


RULE_SETS = MappingProxyType(
    {
        "limits": RuleSet("limits alone", (beyond_three,), 370.4, "normal distribution"),
        "zones": RuleSet(
            "zone rules", (beyond_three, two_of_three, four_of_five, eight_on_one_side), 91.75, "Champ and Woodall 1987"
        ),
        "eight tests": RuleSet(
            "eight tests",
            (
                beyond_three,
                nine_on_one_side,
                six_rising_or_falling,
                fourteen_alternating,
                two_of_three,
                four_of_five,
                fifteen_within_one,
                eight_beyond_one,
            ),
            72.7,
            "simulated by us (tests/analysis/quality); tests after Nelson 1984",
        ),
    }
)


def signals(values: ArrayLike, *, level: float, sigma: float, rules: str = "zones") -> tuple[Signal, ...]:
    """Every broken rule of a named set, point by point.

    Parameters: values, shape (n,), and level and sigma > 0 in their unit; rules, a key of RULE_SETS.
    Returns: signals in the order of points. Raises: OutOfRange. Source: [1], [2].
    """
    if not sigma > 0.0:
        raise OutOfRange("run rules need a spread above zero", code="no-spread")
    if rules not in RULE_SETS:
        raise OutOfRange(f"there is no rule set '{rules}'; there are {', '.join(RULE_SETS)}", code="no-such-rules")
    z = (np.asarray(values, dtype=float) - level) / sigma
    found = [Signal(int(i), _words(rule)) for rule in RULE_SETS[rules].rules for i in np.flatnonzero(rule(z))]
    return tuple(sorted(found, key=lambda signal: signal.point))


def _words(rule: Rule) -> str:
    return (rule.__doc__ or "").strip().rstrip(".").lower()


def _count_in(hits: Marks, window: int, *, least: int) -> Marks:
    """Where at least `least` of the last `window` points are hits; False before a window is full."""
    counts = np.convolve(np.asarray(hits, dtype=int), np.ones(window, dtype=int))[: len(hits)]
    full = np.arange(1, len(hits) + 1) >= least
    return np.asarray((counts >= least) & full)
