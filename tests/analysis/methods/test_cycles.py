"""Cycling: cycles found, figures at soak, drift with honest intervals, limits only as far as the data bear."""

import json
from dataclasses import replace

import numpy as np
import pytest

import analysis
from analysis.__main__ import main
from analysis.cycling.drifting import find_drift, onset
from analysis.methods.cycles import reduce_cycles
from analysis.results import Severity
from lims.demo.simulator import Bench, Plan, as_toml, simulate
from lims.demo.simulator.ageing import AgeingLayer, simulate_cycles
from lims.demo.simulator.faults import blank, spiked, without_rows
from lims.demo.simulator.run_files import as_csv
from tests.analysis.steady.simulated import setup_of, trace_of

PRESSED = {"gap_open": 90e-6, "pressing_time": 2.0, "begin": 120.0}


def layer(**changes):
    return AgeingLayer(**{**PRESSED, **changes})


def reduced(made, *, run=None, **options):
    return reduce_cycles(trace_of(run or made.run), setup_of(made), zero=trace_of(made.zero, "zero.csv"), **options)


def true_impedances(made, outcome):
    return np.array(
        [
            made.truth(soak["time_s"] - 7.0, soak["time_s"] + 7.0)["thermal_impedance"]
            for soak in outcome.parts["cycles"]["soaks"]
        ]
    )


def codes(outcome):
    return [flag.code for flag in outcome.flags]


@pytest.fixture(scope="module")
def pumped():
    return simulate_cycles(layer=layer(course="onset", growth=0.3, cycles=60), seed=3)


# --- the cycles ----------------------------------------


def test_every_cycle_is_found_with_its_figures(pumped):
    outcome = reduced(pumped)
    assert outcome.parts["cycles"]["count"] == 60
    assert outcome.parts["cycles"]["period_s"] == pytest.approx(120.0, abs=1.0)
    found = np.array([soak["thermal_impedance"] for soak in outcome.parts["cycles"]["soaks"]]) * 1e-6
    true = true_impedances(pumped, outcome)
    assert np.abs(found - true).max() < 2.0 * outcome.figures["thermal_impedance"].expanded
    last = outcome.figures["thermal_impedance"]
    assert abs(last.value - true[-1]) < last.expanded


def test_pump_out_is_told_with_the_cycle_it_sets_in_at(pumped):
    outcome = reduced(pumped)
    assert "pump_out" in codes(outcome)
    low, high = outcome.parts["drift"]["thermal_impedance"]["onset_cycle_95"]
    assert low - 1.0 <= 0.5 * 59.0 + 1.0 <= high + 1.0
    assert outcome.figures["impedance_change"].value > 0.0


def test_a_layer_that_does_not_change_shows_no_drift_and_no_limit():
    outcome = reduced(simulate_cycles(layer=layer(growth=0.0, cycles=50), seed=5))
    change = outcome.figures["impedance_change"]
    assert abs(change.value) < change.expanded
    assert outcome.parts["limit"]["cycles"] is None
    assert "limit_not_predicted" in codes(outcome)
    assert "pump_out" not in codes(outcome)


def test_temperature_cycles_are_found_where_the_power_stays():
    def swing(t):
        return 15.0 * np.sign(np.sin(2.0 * np.pi * t / 400.0))

    plan = Plan(coolant_drift=swing, nominal_power=None)
    made = simulate_cycles(layer=layer(growth=0.0, cycles=30), plan=plan, on=1.0, seed=2)
    outcome = reduced(made)
    assert outcome.parts["cycles"]["kind"] == "temperature"
    assert 7 <= outcome.parts["cycles"]["count"] <= 9


def test_a_steady_run_has_no_cycles_and_gives_no_figure():
    made = simulate(Bench(), seed=1)
    outcome = reduce_cycles(trace_of(made.run), setup_of(made))
    assert (codes(outcome), dict(outcome.figures)) == (["no_cycles"], {})
    assert outcome.flags[0].severity is Severity.BLOCKS


# --- robustness ----------------------------------------


def test_spikes_blanks_and_a_hole_in_the_record_hardly_move_the_drift(pumped):
    plain = reduced(pumped)
    run = spiked(pumped.run, "hot", share=0.005, size=30.0, seed=1)
    run = spiked(run, "heater 1", share=0.002, size=25.0, seed=2)
    run = blank(run, "cold", share=0.05, seed=3)
    run = without_rows(run, (run.time > 2000.0) & (run.time < 2090.0))
    outcome = reduced(pumped, run=run)
    change, before = outcome.figures["impedance_change"], plain.figures["impedance_change"]
    assert abs(change.value - before.value) < 2.0 * before.expanded
    assert outcome.parts["cycles"]["count"] >= 57


def test_a_cycle_cut_short_is_left_out_and_named():
    made = simulate_cycles(layer=layer(growth=0.2, cycles=20), seed=8)
    off = (made.run.time >= 120.0 + 5 * 120.0 + 15.0) & (made.run.time < 120.0 + 6 * 120.0)
    columns = {
        name: np.where(off, 0.0, values) if name.startswith("heater") else values
        for name, values in made.run.columns.items()
    }
    outcome = reduced(made, run=replace(made.run, columns=columns))
    assert outcome.parts["cycles"]["uneven"] == [6]
    assert "cycles_uneven" in codes(outcome)


def test_a_layer_that_still_runs_in_has_its_first_cycles_set_aside():
    made = simulate_cycles(layer=AgeingLayer(growth=0.2, cycles=50, gap_open=300e-6, pressing_time=30.0), seed=4)
    outcome = reduced(made)
    assert "run_in" in codes(outcome)
    assert outcome.parts["drift"]["thermal_impedance"]["run_in_cycles"] >= 1


# --- limits ----------------------------------------


def test_a_limit_within_reach_is_predicted_and_one_far_away_is_refused():
    made = simulate_cycles(layer=layer(growth=0.2, cycles=60), seed=6)
    start = true_impedances(made, reduced(made))[0]
    near = reduced(made, limit=start * 1.25)
    low, high = near.parts["limit"]["cycles_95"]
    assert low <= 1.0 + 59.0 * 1.25 <= high
    far = reduced(made, limit=start * 2.0)
    assert far.parts["limit"]["cycles"] is None
    assert "more than 2 times" in far.parts["limit"]["reason"]


def test_a_course_that_may_saturate_gives_no_number():
    made = simulate_cycles(layer=layer(growth=0.2, course="saturating", cycles=60), seed=6)
    start = reduced(made).parts["cycles"]["soaks"][0]["thermal_impedance"] * 1e-6
    assert reduced(made, limit=start * 1.3).parts["limit"]["cycles"] is None


# --- coverage ----------------------------------------


def test_linear_slopes_hold_the_truth_in_about_95_of_100_runs():
    rng = np.random.default_rng(9)
    number = np.arange(1, 51)
    hits = 0
    for _ in range(500):
        slope = rng.uniform(0.01, 0.1)
        found = find_drift(number, (15.0 + slope * number + 0.2 * rng.normal(size=50)) * 1e-6)
        hits += abs(found.slope.value - slope * 1e-6) <= found.slope.expanded
    assert 0.92 <= hits / 500 <= 0.975


def test_no_onset_is_told_in_a_straight_drift():
    rng = np.random.default_rng(12)
    number = np.arange(1, 61)
    told = sum(
        onset(find_drift(number, 15.0 + 0.05 * number + 0.1 * rng.normal(size=60))) is not None for _ in range(100)
    )
    assert told <= 10


# --- the command ----------------------------------------


def test_the_command_reads_files_and_prints_the_outcome(tmp_path, capsys):
    made = simulate_cycles(layer=layer(growth=0.2, cycles=20), seed=1)
    (tmp_path / "run.csv").write_bytes(as_csv(made.run))
    (tmp_path / "zero.csv").write_bytes(as_csv(made.zero))
    (tmp_path / "rig.toml").write_text(as_toml(made.setup), encoding="utf-8")
    files = [str(tmp_path / "run.csv"), "--setup", str(tmp_path / "rig.toml"), "--zero", str(tmp_path / "zero.csv")]
    assert main(["cycles", *files, "--limit", "17 mm^2*K/W", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["method"] == {"name": "cycles", "version": "1"}
    assert printed["cycles"]["count"] == 20
    assert printed["limit"]["thermal_impedance"] == pytest.approx(17.0)
    assert printed["figures"]["impedance_drift"]["unit"] == "mm^2*K/W"
    again = analysis.cycles(tmp_path / "run.csv", setup=tmp_path / "rig.toml", zero=tmp_path / "zero.csv", limit=17e-6)
    assert json.loads(json.dumps(again.to_dict())) == printed
    assert main(["cycles", *files]) == 0
    assert "20 cycles of power" in capsys.readouterr().out


def test_the_command_refuses_a_limit_that_is_no_impedance(tmp_path, capsys):
    made = simulate_cycles(layer=layer(cycles=8), seed=1)
    (tmp_path / "run.csv").write_bytes(as_csv(made.run))
    (tmp_path / "rig.toml").write_text(as_toml(made.setup), encoding="utf-8")
    arguments = ["cycles", str(tmp_path / "run.csv"), "--setup", str(tmp_path / "rig.toml")]
    assert main([*arguments, "--limit", "25 K"]) == 2
    assert "limit" in capsys.readouterr().err
