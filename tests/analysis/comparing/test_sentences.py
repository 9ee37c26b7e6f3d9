"""A ranking in plain sentences: what is told, what may be claimed, and what may not."""

from __future__ import annotations

from typing import Any

from analysis.comparing import Conditions, Result, rank, summarize, to_dict
from analysis.results import Measured
from analysis.units import to_si


def ranked(values: dict[str, list[float]], *, figure: str = "temperature_rise", unit: str = "K") -> dict[str, Any]:
    results = [
        Result(f"R-{sample}-{n}", sample, f"A-{n}", {figure: Measured(to_si(value, unit, figure), 0.0)})
        for sample, several in values.items()
        for n, value in enumerate(several)
    ]
    return to_dict(rank(results, conditions=Conditions(), figure=figure))


A_B = {"A": [10.0, 10.1, 10.2], "B": [11.0, 11.1, 11.2]}


def test_the_better_one_is_told_with_its_lead_and_the_interval() -> None:
    """Two samples of three: the interval is that of Student's t with four degrees of freedom (any handbook's table).

    s = 0.1 in both, so the half width is 2.776 * 0.1 * sqrt(2/3) = 0.2267 and the lead 1.00 reaches 0.77 to 1.23.
    """
    summary = summarize(ranked(A_B))
    assert summary.told == ("A ran 1.00 K cooler than B (95 %: 0.77 to 1.23).",)
    assert summary.may == ("A ran at least 0.77 K cooler than B, under the matched conditions.",)


def test_the_order_of_the_input_does_not_turn_a_sentence_round() -> None:
    assert summarize(ranked(dict(reversed(A_B.items())))).told == summarize(ranked(A_B)).told


def test_samples_that_are_not_told_apart_are_never_claimed() -> None:
    summary = summarize(ranked(A_B | {"C": [10.3, 9.9, 10.0]}))
    tied = [line for line in summary.told if "cannot be told" in line]
    assert len(tied) == 1
    assert {"A", "C"} <= set(tied[0].replace(".", "").split())
    assert not any("A" in line.split() and "C" in line.split() for line in summary.may)
    assert any({"A,", "C"} <= set(line.split()) or {"A", "C,"} <= set(line.split()) for line in summary.may_not)


def test_more_conductivity_is_better_and_less_impedance_is() -> None:
    better = ranked({"A": [4.0, 4.1, 4.2], "B": [3.0, 3.1, 3.2]}, figure="apparent_conductivity", unit="W/(m*K)")
    assert summarize(better).told[0].startswith("A showed 1.00 W/(m·K) more apparent conductivity than B")
    assert any("holds the contact" in line for line in summarize(better).may_not)
    less = ranked({"A": [14.0, 14.1, 14.2], "B": [13.0, 13.1, 13.2]}, figure="thermal_impedance", unit="mm^2*K/W")
    assert summarize(less).told[0].startswith("B had 1.00 mm²·K/W less impedance than A")


def test_names_stand_in_place_of_codes() -> None:
    told = summarize(ranked(A_B), names={"A": "S-0001 thin paste"}).told
    assert told[0].startswith("S-0001 thin paste ran 1.00 K cooler than B")


def test_what_has_no_rank_is_said_so() -> None:
    few = summarize(ranked(A_B | {"C": [9.0]}))
    assert "C was put on once, the method asks for 3: it has no rank." in few.told
    alone = summarize(ranked({"A": A_B["A"]}))
    assert alone.told[0].startswith("These cannot be ranked: only one sample matches")
    assert alone.may == ("No order: these measurements tell no two samples apart.",)


def test_of_many_samples_the_best_against_each_and_close_neighbours_are_told() -> None:
    values = {name: [10.0 + step, 10.1 + step, 10.2 + step] for step, name in enumerate("ABCDEF")}
    assert len(summarize(ranked(values)).told) == 5
