"""Who may be compared, and why not, in words with numbers."""

import dataclasses
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.comparing.matching import Condition, Conditions, Result, match, split
from analysis.results import Flag, Measured, Severity
from analysis.units import to_si

KELVIN = 1.0


def celsius(value: float) -> float:
    return to_si(value, "degC", "temperature")


def kilopascal(value: float) -> float:
    return to_si(value, "kPa", "pressure")


METHOD = Conditions(
    (
        Condition("method", allowed=("M-001/2", "M-001/1")),
        Condition("pressure", kilopascal(250), relative=0.05),
        Condition("coolant_temperature", celsius(40), tolerance=0.5 * KELVIN),
    )
)


def result(**changes: object) -> Result:
    conditions = {"method": "M-001/2", "pressure": kilopascal(251), "coolant_temperature": celsius(40.1)}
    conditions |= changes.pop("conditions", {})  # type: ignore[operator]
    plain = Result("R-1", "S-1", "A-1", {"temperature_rise": Measured(12.0, 0.1)}, conditions)
    return dataclasses.replace(plain, **changes)


def reasons(one: Result, conditions: Conditions = METHOD) -> list[str]:
    return [reason.message for reason in match(one, conditions=conditions, figure="temperature_rise")]


def test_a_result_within_every_tolerance_matches() -> None:
    assert reasons(result()) == []


def test_both_values_stand_in_the_reason_and_the_nearest_change_with_them() -> None:
    found = match(
        result(conditions={"coolant_temperature": celsius(41.2)}), conditions=METHOD, figure="temperature_rise"
    )
    assert found[0].message == "coolant 41.2 degC, the method allows 40.0 ± 0.5"
    assert found[0].change == "coolant 0.7 K lower would match"


def test_a_relative_tolerance_is_given_both_ways() -> None:
    found = match(result(conditions={"pressure": kilopascal(150)}), conditions=METHOD, figure="temperature_rise")
    assert found[0].message == "pressure 150.0 kPa, the method allows 250.0 ± 12.5 (5 %)"
    assert found[0].change == "pressure 87.5 kPa higher would match"
    assert found[0].brief == "pressure 150 vs 250 kPa, tolerance 5 %"


def test_a_value_just_outside_does_not_look_inside() -> None:
    assert reasons(result(conditions={"coolant_temperature": celsius(40.504)})) == [
        "coolant 40.504 degC, the method allows 40.000 ± 0.500"
    ]


def test_a_value_on_the_edge_matches() -> None:
    assert reasons(result(conditions={"coolant_temperature": celsius(40.5)})) == []


def test_words_must_be_among_those_allowed() -> None:
    assert reasons(result(conditions={"method": "M-001/1"})) == []
    assert reasons(result(conditions={"method": "M-002/1"})) == ["method M-002/1, the method allows M-001/2 or M-001/1"]


def test_a_condition_that_was_not_recorded_does_not_match() -> None:
    one = result()
    one = dataclasses.replace(one, conditions={"method": "M-001/2", "coolant_temperature": celsius(40)})
    assert reasons(one) == ["pressure not known, the method allows 250.0 ± 12.5 (5 %)"]


def test_every_reason_is_given_not_only_the_first() -> None:
    one = result(conditions={"pressure": kilopascal(150), "coolant_temperature": celsius(45)}, sample="")
    assert len(reasons(one)) == 3


STALE = Flag("zero_stale", Severity.BLOCKS, "the zero is 11.2 h old, allowed 8 h", ("gap",))


def test_a_blocking_flag_leaves_a_result_out_until_it_is_overridden() -> None:
    assert reasons(result(flags=(STALE,))) == ["the zero is 11.2 h old, allowed 8 h"]
    assert reasons(result(flags=(STALE,), overridden=("zero_stale",))) == []
    assert reasons(result(flags=(dataclasses.replace(STALE, severity=Severity.CAUTIONS),))) == []


def test_a_reason_from_outside_leaves_a_result_out() -> None:
    assert reasons(result(withheld=("case NC-0014 is open on lot LOT-0042",))) == [
        "case NC-0014 is open on lot LOT-0042"
    ]


@pytest.mark.parametrize("figures", [{}, {"temperature_rise": Measured(float("nan"), 0.1)}])
def test_a_result_without_the_figure_is_left_out(figures: dict[str, Measured]) -> None:
    assert reasons(result(figures=figures)) == ["the run gives no temperature rise"]


def test_split_lists_each_result_once_with_its_value() -> None:
    used, left_out = split([result(), result(id="R-2", flags=(STALE,))], conditions=METHOD, figure="temperature_rise")
    assert [one.id for one in used] == ["R-1"]
    assert [(one.id, one.value) for one in left_out] == [("R-2", Measured(12.0, 0.1))]


@given(st.floats(-40.0, 120.0), st.floats(0.05, 20.0), st.floats(0.0, 150.0))
def test_the_change_named_would_make_the_result_match(nominal: float, tolerance: float, found: float) -> None:
    conditions = Conditions((Condition("coolant_temperature", celsius(nominal), tolerance=tolerance),))
    one = result(conditions={"coolant_temperature": celsius(found)})
    for reason in match(one, conditions=conditions, figure="temperature_rise"):
        step, side = re.fullmatch(r"coolant ([\d.]+) K (lower|higher) would match", reason.change).groups()  # type: ignore[union-attr]
        moved = found + float(step) * (1 if side == "higher" else -1)
        changed = result(conditions={"coolant_temperature": celsius(moved)})
        assert abs(moved - nominal) <= tolerance + 1e-9
        assert match(changed, conditions=conditions, figure="temperature_rise") == ()
