"""Monte Carlo for a reduction, a series and a difference: what the result tells, and that it comes back from JSON."""

import json
import math

import numpy as np
import pytest

import analysis
from analysis import studies
from analysis.__main__ import main
from analysis.errors import BadSetup
from analysis.methods.steady import reduce_steady
from analysis.results import Trials
from tests.analysis.steady.by_hand import setup, trace

QUICK = Trials(seed=5, digits=1)
CHANNELS = {
    "power": ("heater_power", {"u": 0.5}),
    "hot": ("hot_temperature", {"u": 0.1}),
    "cold": ("cold_temperature", {"u": 0.1}),
}


def reduced(*, hot=60.0, cold=50.0, power=100.0, u_power=0.5, noise=0.0, trials=QUICK, name="run.csv", **run):
    channels = {**CHANNELS, "power": ("heater_power", {"u": u_power})}
    values = {"power [W]": power, "hot [degC]": hot, "cold [degC]": cold}
    tables = {"run": run} if run else {}
    rig = {"name": "bench", "area": {"value": "1000 mm^2", "u": "5 mm^2"}}
    made = setup(rig, channels, **tables)
    return analysis.reduce(trace(values, noise=noise, name=name), setup=made, monte_carlo=trials)


def test_where_the_linear_law_holds_the_result_says_that_it_is_used():
    found = reduced()
    one = found.monte_carlo["thermal_impedance"]
    assert one.agrees
    assert one.seed == 5
    assert one.u == pytest.approx(found.figures["thermal_impedance"].u, rel=0.01)
    assert "the linear law is used" in str(found)
    assert not any(flag.code == "linear_law_doubtful" for flag in found.flags)


def test_where_the_divisor_is_poorly_known_the_trials_are_used_and_the_flag_says_why():
    # R = 10 K * 1000 mm2 / Q, Q 100 +- 20 W: the quotient is skewed, its upper end 1e4 / (100 - 1.96 * 20) = 164 at
    # least, where the linear law says 100 + 1.96 * 20 = 139.
    found = reduced(u_power=20.0)
    one = found.monte_carlo["thermal_impedance"]
    assert not one.agrees
    assert one.high > 150e-6 > one.linear_high
    flag = next(flag for flag in found.flags if flag.code == "linear_law_doubtful")
    assert "the interval of the trials is used" in flag.message
    assert "more than the tolerance" in flag.message


def test_the_part_comes_back_from_json_and_repeats_by_its_seed():
    found = reduced()
    data = json.loads(json.dumps(found.to_dict()))
    back = analysis.from_dict(data)
    assert back.monte_carlo["temperature_rise"].low == pytest.approx(found.monte_carlo["temperature_rise"].low)
    assert data["setup"]["monte_carlo"] == {"seed": 5, "digits": 1}
    assert reduced().to_dict() == found.to_dict()


def test_a_result_without_trials_has_no_such_part():
    assert "monte_carlo" not in reduced(trials=None).to_dict()


def test_a_seed_in_the_setup_that_is_none_is_named():
    with pytest.raises(BadSetup, match=r"\[monte_carlo\] seed.*whole number"):
        reduce_steady(trace({}), setup({}, CHANNELS, monte_carlo={"seed": 1.5}))


def simulated_difference(n=200_000):
    """Two layers on one rig, worked out by numpy alone: the same errors of sensors, power and area in both."""
    rng = np.random.default_rng(3)
    hot, cold, area = rng.normal(0, 0.1, n), rng.normal(0, 0.1, n), 1000.0 + rng.normal(0, 5.0, n)
    power = 100.0 + rng.normal(0, 0.5, n)
    return (12.0 + hot - cold) * area / power - (10.0 + hot - cold) * area / power


def test_a_difference_on_one_rig_is_as_uncertain_as_simulated_runs_of_that_rig_differ():
    # UNC-03: within 2 % of a simulation; as two results of different rigs it would be seven times as uncertain.
    one = reduced(trials=None, name="one.csv", sample="S-1", application="A")
    other = reduced(trials=None, hot=62.0, name="other.csv", sample="S-2", application="B")
    found = studies.difference(one, other, monte_carlo=QUICK)
    measured = found.figures["impedance_change"]
    simulated = simulated_difference()
    assert measured.value == pytest.approx(20e-6)
    assert measured.u * 1e6 == pytest.approx(float(simulated.std()), rel=0.02)
    assert found.monte_carlo["impedance_change"].u == pytest.approx(measured.u, rel=0.02)
    low, high = np.quantile(simulated, [0.025, 0.975])
    assert found.monte_carlo["impedance_change"].low * 1e6 == pytest.approx(low, abs=0.02)
    assert found.monte_carlo["impedance_change"].high * 1e6 == pytest.approx(high, abs=0.02)
    assert found.parts["root_sum"] > 5.0 * measured.u * 1e6


def test_results_of_two_rigs_share_nothing():
    one = reduced(trials=None, name="one.csv")
    data = json.loads(json.dumps(one.to_dict()).replace("bench: ", "other bench: "))
    found = studies.difference(one, data)
    assert found.figures["impedance_change"].u == pytest.approx(math.sqrt(2.0) * one.figures["thermal_impedance"].u)
    assert found.parts["shared"] == []


def test_the_command_propagates_and_repeats(tmp_path, capsys):
    for name, hot in (("one", 60.0), ("other", 62.0)):
        made = reduced(trials=None, hot=hot, name=name)
        (tmp_path / f"{name}.json").write_text(json.dumps(made.to_dict()))
    files = [str(tmp_path / f"{name}.json") for name in ("one", "other")]
    assert main(["difference", *files, "--monte-carlo", "--seed", "9", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["figures"]["impedance_change"]["value"] == pytest.approx(20.0)
    assert found["monte_carlo"]["impedance_change"]["seed"] == 9
    assert main(["difference", *files, "--seed", "9"]) == 2
    assert "--monte-carlo" in capsys.readouterr().err


def test_a_series_by_trials_has_the_interval_of_its_line():
    # ASTM D5470-like points of known slope; the trials fit each drawn set anew, the linear law differentiates the fit.
    from analysis.validation.method_cases import _result

    points = zip((50.0, 100.0, 200.0, 300.0, 500.0), (21.7, 37.2, 68.6, 99.7, 162.3), strict=True)
    found = studies.series([_result(*point) for point in points], monte_carlo=QUICK)
    for key, figure in found.figures.items():
        one = found.monte_carlo[key]
        assert (one.high - one.low) / 2.0 == pytest.approx(figure.expanded, rel=0.05)
        assert one.agrees
    assert set(found.to_dict()["line"]["slope_by_monte_carlo"]) == {"low", "high", "trials", "agrees"}
