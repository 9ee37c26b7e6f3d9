"""A ranking in plain sentences: what the numbers tell, what may be claimed from them, and what may not.

Every sentence is written from the ranking as `output.to_dict` gives it, so that a frozen one reads the same for ever.
A difference counts only where its simultaneous interval leaves out nought.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.comparing.matching import difference_unit
from analysis.drawing import printed

_ALL_PAIRS_UP_TO = 4  # samples; above, the best against each and neighbours that are not told apart
_WORDS: Mapping[str, tuple[str, str, bool]] = {
    # figure -> the verb, the word after the unit, whether more of it is better
    "temperature_rise": ("ran", "cooler", False),
    "thermal_impedance": ("had", "less impedance", False),
    "gap": ("lay", "thinner", False),
    "apparent_conductivity": ("showed", "more apparent conductivity", True),
}
_OTHER = ("had", "less", False)


@dataclass(frozen=True, slots=True)
class Summary:
    """What a ranking says in words: `told` by the numbers, what one `may` claim from it, and what one `may_not`."""

    told: tuple[str, ...]
    may: tuple[str, ...]
    may_not: tuple[str, ...]


def summarize(ranking: Mapping[str, Any], *, names: Mapping[str, str] | None = None) -> Summary:
    """The sentences of one ranking, as `to_dict` gives it; `names` says what samples are called, by code."""
    called = {item["sample"]: item["sample"] for item in (*ranking["ranking"], *ranking["provisional"])} | dict(
        names or {}
    )
    pairs = [_ordered(pair, ranking["figure"]) for pair in _chosen(ranking)]
    return Summary(
        told=(*_refused(ranking), *_told(pairs, ranking, called), *_apart(ranking, called), *_left_out(ranking)),
        may=tuple(_may(pairs, ranking, called)),
        may_not=(*_ties(pairs, ranking, called), *_limits(ranking)),
    )


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two samples, the better first: by how much, the interval of that, and whether they are told apart."""

    better: str
    worse: str
    by: float
    low: float
    high: float
    apart: bool


def _chosen(ranking: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The pairs worth a sentence: all of a few samples; of many, the best against each, and close neighbours."""
    if ranking["refusals"]:
        return []
    order = [item["sample"] for item in ranking["ranking"]]
    pairs = list(ranking["differences"])
    if len(order) <= _ALL_PAIRS_UP_TO:
        return pairs
    close = {frozenset((one["better"], one["worse"])) for one in ranking["neighbours"] if not one["separated"]}
    return [one for one in pairs if order[0] in (who := {one["first"], one["second"]}) or frozenset(who) in close]


def _ordered(pair: Mapping[str, Any], figure: str) -> _Pair:
    value, (low, high) = pair["difference"], pair["interval"]
    better, worse = pair["first"], pair["second"]
    if (value > 0.0) != _WORDS.get(figure, _OTHER)[2]:
        better, worse = worse, better
    if value < 0.0:
        low, high = -high, -low
    return _Pair(better, worse, abs(value), low, high, bool(pair["significant"]))


def _told(pairs: Sequence[_Pair], ranking: Mapping[str, Any], called: Mapping[str, str]) -> list[str]:
    verb, word, _ = _WORDS.get(ranking["figure"], _OTHER)
    unit, level = _unit(ranking), f"{ranking['confidence']:.0%}".replace("%", " %")
    found = []
    for pair in pairs:
        better, worse = called[pair.better], called[pair.worse]
        if not pair.apart:
            found.append(f"{worse} cannot be told from {better}.")
            continue
        by, low, high = _rounded(pair)
        found.append(f"{better} {verb} {by} {unit} {word} than {worse} ({level}: {low} to {high}).")
    return found


def _refused(ranking: Mapping[str, Any]) -> list[str]:
    return [f"These cannot be ranked: {_after(refusal)}." for refusal in ranking["refusals"]]


def _after(refusal: str) -> str:
    return refusal.removeprefix("not ranked: ")


def _apart(ranking: Mapping[str, Any], called: Mapping[str, str]) -> list[str]:
    asked = ranking["required"]
    return [
        f"{called[item['sample']]} was put on {_times(item['n'])}, the method asks for {asked}: it has no rank."
        for item in ranking["provisional"]
    ]


def _left_out(ranking: Mapping[str, Any]) -> list[str]:
    count = ranking["total"] - ranking["used"]
    if not count:
        return []
    return [f"{count} of {ranking['total']} runs {'is' if count == 1 else 'are'} left out; the list says why."]


def _times(count: int) -> str:
    return "once" if count == 1 else "twice" if count == 2 else f"{count} times"


def _may(pairs: Sequence[_Pair], ranking: Mapping[str, Any], called: Mapping[str, str]) -> list[str]:
    verb, word, _ = _WORDS.get(ranking["figure"], _OTHER)
    found = [
        f"{called[pair.better]} {verb} at least {_rounded(pair)[1]} {_unit(ranking)} {word} than "
        f"{called[pair.worse]}, under the matched conditions."
        for pair in pairs
        if pair.apart
    ]
    return found or ["No order: these measurements tell no two samples apart."]


def _ties(pairs: Sequence[_Pair], ranking: Mapping[str, Any], called: Mapping[str, str]) -> list[str]:
    smallest = (ranking["statistics"] or {}).get("smallest_difference")
    seen = f"; this plan sees differences from {smallest:.2g} {_unit(ranking)} on" if smallest else ""
    return [
        f"That {called[pair.better]} is better or worse than {called[pair.worse]}, or that they are equal{seen}."
        for pair in pairs
        if not pair.apart
    ]


def _limits(ranking: Mapping[str, Any]) -> list[str]:
    """What no ranking bears, and what this one does not."""
    found = [
        "Anything at another pressure, gap, area, surface or heat flow than the matched conditions.",
        "A figure without its interval and the number of applications.",
    ]
    if ranking["figure"] == "apparent_conductivity":
        found.append("A conductivity of the material: the apparent one holds the contact at both faces as well.")
    if ranking["provisional"]:
        found.append("A place in the order for a sample with fewer applications than the method asks for.")
    return found + [f"More than the rigs bear: {note}." for note in ranking["notes"]]


def _unit(ranking: Mapping[str, Any]) -> str:
    return printed(difference_unit(ranking["figure"]))


def _rounded(pair: _Pair) -> tuple[str, str, str]:
    """The three numbers to one decimal place: two significant digits of the half width. [JCGM 100:2008, 7.2.6]"""
    half = 0.5 * (pair.high - pair.low)
    places = 0 if not half > 0.0 or not math.isfinite(half) else max(0, 1 - math.floor(math.log10(half)))
    by, low, high = (f"{value:.{places}f}" for value in (pair.by, pair.low, pair.high))
    return by, low, high
