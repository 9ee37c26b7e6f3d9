"""Heat-loss conductance from balance runs: by hand, over many simulated rigs, and refused where it must be."""

import numpy as np
import pytest

from analysis.rig import loss_conductance
from tests.analysis.rig.made import balance, errors, setup

HOT = (35.0, 45.0, 60.0, 75.0)


def runs(seed, *, loss=0.12, hot=HOT, wrong=None, loud=1.0):
    rng = np.random.default_rng(seed)
    drawn = errors(rng) if wrong is None else wrong
    return [balance(t, loss=loss, wrong=drawn, rng=rng, number=n, loud=loud) for n, t in enumerate(hot)]


def test_without_errors_the_slope_is_the_conductance():
    # Closed form: P - Q = G (T_block - T_room) at every temperature, so the slope is G itself.
    found = loss_conductance(runs(1, loss=0.3, wrong={}, loud=0.01), setup()).figures["loss_conductance"]
    assert found.value == pytest.approx(0.3, abs=1e-4)


def test_an_error_common_to_all_powers_leaves_the_slope_alone():
    plain = loss_conductance(runs(2, wrong={}), setup()).figures["loss_conductance"].value
    shifted = loss_conductance(runs(2, wrong={"power": 5.0}), setup()).figures["loss_conductance"].value
    assert shifted == pytest.approx(plain, abs=1e-9)


def test_an_error_of_the_flow_is_in_the_budget():
    # By hand: 0.005 of 0.8 L/min is 0.625 % of Q, and Q grows by 3 W/K: 0.019 W/K.
    budget = {line.source: line.u for line in loss_conductance(runs(3), setup()).budget["loss_conductance"]}
    assert budget["coolant_flow calibration"] == pytest.approx(0.00625 * 3.0, rel=0.05)


def test_the_interval_holds_the_truth_in_about_95_of_100():
    held = []
    for seed in range(100):
        loss = 0.05 + 0.003 * seed
        found = loss_conductance(runs(1000 + seed, loss=loss), setup()).figures["loss_conductance"]
        held.append(abs(found.value - loss) <= found.expanded)
    assert 90 <= sum(held) <= 99  # binomial for 0.95 of 100: outside with a probability under 3 %


def test_points_of_two_temperatures_are_refused():
    found = loss_conductance(runs(4, hot=(35.0, 75.0)), setup())
    assert found.figures == {}
    assert "at least 3" in found.flags[0].message


def test_temperatures_too_close_are_refused_with_the_spread_that_would_do():
    found = loss_conductance(runs(5, hot=(50.0, 51.0, 52.0)), setup())
    assert found.figures == {}
    assert "at least 10 K" in found.flags[0].message


def test_a_run_that_fits_in_badly_is_told():
    rng = np.random.default_rng(6)
    odd = [*runs(6, wrong={})[:3], balance(75.0, loss=0.6, wrong={}, rng=rng, number=9)]
    found = loss_conductance(odd, setup())
    assert "lack_of_fit" in [flag.code for flag in found.flags]
    usual = loss_conductance(runs(6, wrong={}), setup()).figures["loss_conductance"]
    assert found.figures["loss_conductance"].u > 2.0 * usual.u


def test_the_answer_is_ready_for_json_and_for_people():
    found = loss_conductance(runs(7), setup())
    assert found.to_dict()["figures"]["loss_conductance"]["unit"] == "W/K"
    assert found.to_dict()["units"] == {"x": "K", "y": "W"}
