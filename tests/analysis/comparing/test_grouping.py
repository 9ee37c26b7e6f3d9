"""The largest group that agrees, where no method says what matched means (tolerances: common practice, no source)."""

import dataclasses

import numpy as np
import pytest

from analysis.comparing.grouping import agreeing_conditions
from analysis.comparing.matching import Result, split
from analysis.comparing.ranking import rank
from analysis.results import Flag, Measured, Severity


def results(*groups: tuple[int, dict[str, float | str]]) -> list[Result]:
    found = []
    for number, (count, conditions) in enumerate(groups):
        for place in range(count):
            name = f"{number}-{place}"
            found.append(Result(name, f"S-{place % 2}", name, {"temperature_rise": Measured(10.0, 0.1)}, conditions))
    return found


def used(several: list[Result]) -> set[str]:
    kept, _ = split(several, conditions=agreeing_conditions(several), figure="temperature_rise")
    return {one.id.split("-")[0] for one in kept}


BASE: dict[str, float | str] = {
    "method": "steady 1",
    "area": 0.001,
    "pressure": 250e3,
    "heat_flow": 150.0,
    "mean_temperature": 320.0,
}


@pytest.mark.parametrize(
    ("key", "near", "far"),
    [
        ("pressure", 260e3, 280e3),
        ("heat_flow", 160.0, 175.0),
        ("mean_temperature", 323.0, 327.0),
        ("area", 0.00100001, 0.00102),
        ("method", "steady 1", "steady 2"),
    ],
)
def test_a_result_is_kept_within_and_left_out_beyond_the_tolerance(
    key: str, near: float | str, far: float | str
) -> None:
    assert used(results((6, BASE), (2, BASE | {key: near}))) == {"0", "1"}
    assert used(results((6, BASE), (2, BASE | {key: far}))) == {"0"}


def test_the_largest_group_wins_whatever_the_order() -> None:
    several = results((3, BASE | {"pressure": 150e3}), (5, BASE), (4, BASE | {"pressure": 400e3}))
    assert used(several) == used(several[::-1]) == {"1"}


def test_a_drift_through_the_conditions_keeps_those_within_one_tolerance() -> None:
    several = results(*((1, BASE | {"pressure": 250e3 * 1.02**step}) for step in range(12)))
    kept, left = split(several, conditions=agreeing_conditions(several), figure="temperature_rise")
    pressures = [float(one.conditions["pressure"]) for one in kept]
    assert len(kept) == 5
    assert max(pressures) / min(pressures) <= 1.05 / 0.95
    assert len(left) == 7


def test_results_that_are_kept_out_anyway_do_not_choose_the_conditions() -> None:
    flag = Flag("heat_imbalance", Severity.BLOCKS, "coolant and electrical heat disagree by 12 %")
    good, blocked = results((4, BASE)), results((0, {}), (9, BASE | {"pressure": 300e3}))
    found = rank([*good, *(dataclasses.replace(one, flags=(flag,)) for one in blocked)])
    assert found.title == "4 of 13 runs used; 9 left out"


def test_what_no_result_states_is_not_asked_for() -> None:
    bare = {"method": "steady 1", "heat_flow": 150.0}
    assert [one.key for one in agreeing_conditions(results((3, bare))).keys] == ["method", "heat_flow"]


def test_a_result_that_lacks_what_the_others_state_is_left_out() -> None:
    without = {key: value for key, value in BASE.items() if key != "pressure"}
    assert used(results((5, BASE), (2, without))) == {"0"}


def test_ten_thousand_scattered_results_find_the_crowd() -> None:
    rng = np.random.default_rng(1)
    several = results(*((1, BASE | {"pressure": float(p)}) for p in rng.uniform(50e3, 5000e3, 3000)), (500, BASE))
    kept, _ = split(several, conditions=agreeing_conditions(several), figure="temperature_rise")
    assert sum(one.id.startswith("3000-") for one in kept) == 500


def test_no_results_give_no_conditions() -> None:
    assert agreeing_conditions([]).keys == ()
