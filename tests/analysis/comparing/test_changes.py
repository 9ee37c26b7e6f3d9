"""What a newer ranking says otherwise than a frozen one."""

from typing import Any

from analysis.comparing import Conditions, Result, changes, rank, to_dict
from analysis.results import Measured


def ranked(values: dict[str, list[float]]) -> dict[str, Any]:
    results = [
        Result(f"R-{sample}-{n}", sample, f"A-{n}", {"temperature_rise": Measured(value, 0.05)})
        for sample, several in values.items()
        for n, value in enumerate(several)
    ]
    return to_dict(rank(results, conditions=Conditions()))


BEFORE = {"S-1": [10.0, 10.1, 10.2], "S-2": [11.0, 11.1, 11.2], "S-3": [15.0, 15.1, 15.2]}


def test_the_same_ranking_changes_nothing() -> None:
    assert changes(ranked(BEFORE), ranked(BEFORE)) == ()


def test_newer_results_that_make_two_samples_tie_are_told() -> None:
    after = BEFORE | {"S-1": [10.0, 10.1, 10.2, 11.9, 12.0]}
    assert changes(ranked(BEFORE), ranked(after)) == (
        "2 newer results",
        "S-2 would move from rank 2 to rank 1",
        "rank 1 and 2 would tie: S-1 and S-2 would no longer be told apart",
    )


def test_samples_that_come_and_go_are_named() -> None:
    after = {"S-1": BEFORE["S-1"], "S-2": BEFORE["S-2"], "S-4": [20.0, 20.1, 20.2]}
    assert changes(ranked(BEFORE), ranked(after)) == (
        "3 newer results",
        "3 results no longer used",
        "S-4 would be ranked",
        "S-3 would no longer be ranked",
    )


def test_a_result_taken_away_is_told() -> None:
    after = BEFORE | {"S-3": [15.0, 15.1, 15.2][:2]}
    assert "1 result no longer used" in changes(ranked(BEFORE), ranked(after))


def test_what_has_changed_already_is_told_as_done() -> None:
    after = BEFORE | {"S-1": [10.0, 10.1, 10.2, 11.9, 12.0]}
    assert changes(ranked(BEFORE), ranked(after), done=True) == (
        "2 newer results",
        "S-2 moved from rank 2 to rank 1",
        "rank 1 and 2 tie now: S-1 and S-2 are no longer told apart",
    )
