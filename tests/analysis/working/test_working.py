"""The working of a figure: whoever takes the printed numbers and a calculator comes to the figure stated."""

import json
import math
import re

import pytest

import analysis
from analysis.errors import OutOfRange, UnreadableFile
from analysis.methods.steady import reduce_steady
from analysis.working import RECIPES, to_dict, to_text, working_of
from analysis.working.arithmetic import evaluate, names
from tests.analysis.steady.by_hand import setup, trace
from tests.analysis.steady.simulated import reduced, simulated


def by_hand(shown):
    """Work the figure out again from the printed page alone: numbers off the page, Python's own arithmetic."""
    values = {one["symbol"]: float(one["value"].split()[0]) for one in shown["known"]}
    for step in shown["steps"]:
        printed = float(step["value"].split()[0])
        assert eval(step["formula"].replace("^", "**"), {"sqrt": math.sqrt}, values) == pytest.approx(printed, rel=1e-9)
        assert eval(step["numbers"].replace("^", "**"), {"sqrt": math.sqrt}, {}) == pytest.approx(printed, rel=1e-9)
        values[step["symbol"]] = printed
    last = shown["steps"][-1] if shown["steps"] else shown["known"][-1]
    return values[last["symbol"]], last


@pytest.fixture(scope="module", params=range(9))
def result(request):
    """Simulated rigs of every kind: electrical, meter bar and coolant, with and without a zero after."""
    return json.loads(json.dumps(reduced(simulated(request.param)).to_dict()))


def test_every_figure_follows_from_its_printed_inputs_by_plain_arithmetic(result):
    factors = {"thermal_impedance": 1e6, "gap": 1e6, "heat_flux": 1e-4, "pressure": 1e-3, "heat_balance": 100.0}
    assert set(result["figures"]) <= set(RECIPES)
    for key, figure in result["figures"].items():
        value, _ = by_hand(to_dict(working_of(result, key)))
        slack = max(abs(figure["value"]), figure["u"])
        assert value * factors.get(key, 1.0) == pytest.approx(figure["value"], abs=1e-6 * slack)


def test_the_working_says_that_it_agrees(result):
    assert all(working_of(result, key).agrees for key in result["figures"])


def test_the_printed_budget_adds_up_to_the_uncertainty(result):
    for key, figure in result["figures"].items():
        line = to_dict(working_of(result, key))["uncertainty"][0]
        parts = [float(part) for part in re.findall(r"([\d.e+-]+)\^2", line)]
        assert math.sqrt(sum(part**2 for part in parts)) == pytest.approx(figure["u"], rel=1e-8)


CHANNELS = {
    "power": ("heater_power", {}),
    "hot": ("hot_temperature", {"depth": "2 mm"}),
    "cold": ("cold_temperature", {"depth": "2 mm"}),
    "room": ("ambient_temperature", {}),
}
VALUES = {"power [W]": 102.0, "hot [degC]": 60.0, "cold [degC]": 50.0, "room [degC]": 25.0}
RIG = {"block_conductivity": "400 W/(m*K)", "loss_conductance": "0.1 W/K"}


def test_an_impedance_worked_out_on_paper():
    # By hand: Q = 102 - 0.1 * (60 - 25) = 98.5 W; q = 98500 W/m2; each face 98500 * 0.002 / 400 = 0.4925 K from its
    # sensor; rise 10 - 0.985 = 9.015 K; R = 9.015 * 0.001 / 98.5 = 91.5228... mm2 K/W.
    found = working_of(reduce_steady(trace(VALUES), setup(RIG, CHANNELS)), "thermal_impedance")
    values = {step.symbol: step.value for step in found.steps}
    assert values["Q_loss"] == pytest.approx(3.5)
    assert values["Q_el"] == pytest.approx(98.5)
    assert values["T_hf"] == pytest.approx(59.5075)
    assert values["T_cf"] == pytest.approx(50.4925)
    assert found.result == pytest.approx(9.015e3 / 98.5, rel=1e-9)


def test_the_text_shows_formula_numbers_and_units():
    text = to_text(working_of(reduce_steady(trace(VALUES), setup(RIG, CHANNELS)), "thermal_impedance"))
    assert "= dT * A / Q_el" in text
    assert "= 9.015 * 0.001 / 98.5" in text
    assert "= 91.52284264e-6 m^2*K/W = 91.52284264 mm^2*K/W" in text
    assert "0.001 m^2 (1000 mm^2)  Contact area, of the setup" in text
    assert text.endswith("which is what the result states.")


def test_a_result_that_was_tampered_with_is_told():
    data = reduce_steady(trace(VALUES), setup(RIG, CHANNELS)).to_dict()
    data["figures"]["thermal_impedance"]["value"] *= 1.001
    found = working_of(data, "thermal_impedance")
    assert not found.agrees
    assert "but the result states" in to_text(found)


def test_a_figure_the_result_does_not_have_is_refused_with_those_it_has():
    with pytest.raises(OutOfRange, match="temperature_rise"):
        working_of(reduce_steady(trace(VALUES), setup(RIG, CHANNELS)), "gap")


def test_a_result_without_its_inputs_is_refused():
    data = reduce_steady(trace(VALUES), setup(RIG, CHANNELS)).to_dict()
    del data["inputs"]
    with pytest.raises(UnreadableFile, match="reduce the run again"):
        working_of(data, "thermal_impedance")


def test_inputs_survive_the_way_to_json_and_back():
    made = reduce_steady(trace(VALUES), setup(RIG, CHANNELS))
    again = analysis.from_dict(json.loads(json.dumps(made.to_dict())))
    assert [entry.key for entry in again.inputs] == [entry.key for entry in made.inputs]
    for one, other in zip(again.inputs, made.inputs, strict=True):
        assert one.value == pytest.approx(other.value, rel=1e-12)
        assert (one.column, one.depth) == (other.column, pytest.approx(other.depth))


@pytest.mark.parametrize(
    ("formula", "value"),
    [
        ("a + b * 2", 7.0),
        ("(a + b) * 2", 8.0),
        ("-a - b", -4.0),
        ("b^2", 9.0),
        ("sqrt(b^2 + 16)", 5.0),
        ("a / b", 1 / 3),
    ],
)
def test_arithmetic_is_that_of_a_calculator(formula, value):
    assert evaluate(formula, {"a": 1.0, "b": 3.0}) == pytest.approx(value)


def test_a_division_by_zero_gives_no_number():
    assert math.isnan(evaluate("1 / a", {"a": 0.0}))


@pytest.mark.parametrize("formula", ["open('x')", "a.b", "[a]", "a if b else a", "'a'"])
def test_anything_but_arithmetic_is_refused(formula):
    with pytest.raises(ValueError, match="plain arithmetic"):
        evaluate(formula, {"a": 1.0, "b": 3.0})


def test_names_come_in_the_order_they_stand():
    assert names("b * a + sqrt(b + c)") == ["b", "a", "c"]
