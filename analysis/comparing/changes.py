"""What would change: a frozen ranking set against a newer one, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any


def changes(before: Mapping[str, Any], after: Mapping[str, Any], *, done: bool = False) -> tuple[str, ...]:
    """What a newer ranking says otherwise than a frozen one, both as `to_dict` gives them; empty where nothing.

    `done`: the newer one has taken the older one's place, so that nothing "would" be any more.
    """
    found = (*_results(before, after), *_samples(before, after), *_ranks(before, after))
    return tuple(_as_done(words) for words in found) if done else found


_DONE = (
    ("would no longer be ranked", "is no longer ranked"),
    ("would be ranked", "is ranked now"),
    ("would move from", "moved from"),
    ("would tie", "tie now"),
    ("would no longer be told apart", "are no longer told apart"),
    ("would be told apart", "are told apart now"),
)


def _as_done(words: str) -> str:
    for would, does in _DONE:
        words = words.replace(would, does)
    return words


def _results(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    old, new = _used(before), _used(after)
    found = []
    if more := len(new - old):
        found.append(f"{more} newer result{'s' if more > 1 else ''}")
    if fewer := len(old - new):
        found.append(f"{fewer} result{'s' if fewer > 1 else ''} no longer used")
    return found


def _used(ranking: Mapping[str, Any]) -> set[str]:
    return {name for item in (*ranking["ranking"], *ranking["provisional"]) for name in item["result_ids"]}


def _samples(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    old, new = _by_sample(before), _by_sample(after)
    return [f"{name} would be ranked" for name in new if name not in old] + [
        f"{name} would no longer be ranked" for name in old if name not in new
    ]


def _ranks(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Ranks that move, and pairs of neighbours that would tie or part."""
    old, new = _by_sample(before), _by_sample(after)
    both = [name for name in old if name in new]
    found = [
        f"{name} would move from rank {old[name]['rank']} to rank {new[name]['rank']}"
        for name in both
        if old[name].get("rank") != new[name].get("rank") and old[name].get("rank") and new[name].get("rank")
    ]
    for one, other in pairwise(both):
        was, would = _alike(old[one], old[other]), _alike(new[one], new[other])
        if was != would:
            found.append(_parting(old[one], old[other], would=would))
    return found


def _parting(one: Mapping[str, Any], other: Mapping[str, Any], *, would: bool) -> str:
    """One pair of neighbours that would tie, with the ranks they had, or part."""
    names, ranks = f"{one['sample']} and {other['sample']}", (one.get("rank"), other.get("rank"))
    if not would:
        return f"{names} would be told apart"
    tie = f"rank {ranks[0]} and {ranks[1]} would tie: " if None not in ranks and ranks[0] != ranks[1] else ""
    return f"{tie}{names} would no longer be told apart"


def _by_sample(ranking: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    return {item["sample"]: item for item in ranking["ranking"]}


def _alike(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two samples share a letter (past 52 columns letters are set apart by a space)."""
    first, second = (set(text.split()) if " " in text else set(text) for text in (one["letters"], other["letters"]))
    return bool(first & second)
