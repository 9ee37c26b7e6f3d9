"""Thinning: conductivity out of one run, only from its quasi-steady part, with honest intervals."""

import json

import numpy as np
import pytest

import analysis
from analysis.__main__ import main
from analysis.methods.thinning import reduce_thinning
from analysis.results import Measured, Outcome
from analysis.statistics.errors_in_both import fit_both
from analysis.thinning.reporting import remembering
from lims.demo.simulator import Bench, Layer, Plan, as_toml, simulate
from lims.demo.simulator.faults import blank, spiked
from lims.demo.simulator.run_files import as_csv
from tests.analysis.campaign import held, thinning
from tests.analysis.steady.simulated import setup_of, trace_of

SHORT = Plan(seconds=800.0, steps=((60.0, 150.0), (780.0, 0.0)))


def thinning_layer(**changes):
    """A layer that gives way slowly, so that it still thins while heat flows."""
    return Layer(**{"gap_open": 150e-6, "gap_end": 40e-6, "pressing_time": 200.0, "exponent": 1.0, **changes})


def reduced(made, *, run=None, zero=True, **options):
    return reduce_thinning(
        trace_of(run or made.run), setup_of(made), zero=trace_of(made.zero, "zero.csv") if zero else None, **options
    )


def codes(outcome):
    return [flag.code for flag in outcome.flags]


def series_of(value, u):
    return Outcome("series", "1", figures={"conductivity": Measured(value, u, 20.0)}).to_dict()


@pytest.fixture(scope="module")
def thinned():
    return simulate(Bench(), thinning_layer(), seed=1)


def test_conductivity_and_contacts_of_a_layer_that_thins(thinned):
    outcome = reduced(thinned)
    for key, truth in (("conductivity", 4.0), ("contact_impedance", 3e-6)):
        assert abs(outcome.figures[key].value - truth) < outcome.figures[key].expanded
    assert outcome.figures["conductivity"].expanded < 0.2


def test_the_heat_capacity_of_the_hot_block_is_found_and_taken_out(thinned):
    """The simulated block holds 250 J/K."""
    assert reduced(thinned).parts["points"]["heat_capacity_J_per_K"] == pytest.approx(250.0, rel=0.1)


def test_only_the_quasi_steady_part_counts(thinned):
    outcome = reduced(thinned)
    times = outcome.parts["points"]["time_s"]
    assert min(times) > 75.0  # the power came on at 60 s, the block settles within some tens of seconds
    assert max(times) < 1700.0
    assert outcome.parts["points"]["used"] < outcome.parts["points"]["heated_blocks"]


def test_points_in_time_are_worth_less_than_their_number():
    """Residuals that remember widen the slope as theory says: first-order memory 0.8 is 3 times in the uncertainty."""
    rng = np.random.default_rng(4)
    noise = rng.normal(size=1000)
    for i in range(1, noise.size):
        noise[i] = 0.8 * noise[i - 1] + 0.6 * noise[i]
    x = np.linspace(0.0, 100.0, 1000)
    fit = fit_both(x, y=5.0 + 0.3 * x + noise, u_x=0.01, u_y=1.0)
    assert remembering(fit).factor == pytest.approx(3.0, rel=0.25)


# --- refusals ----------------------------------------


def test_a_layer_that_is_pressed_out_before_the_heat_is_refused_with_the_way_that_would_do():
    outcome = reduced(simulate(Bench(), Layer(), seed=1))
    assert (codes(outcome), dict(outcome.figures)) == (["gap_moves_too_little"], {})
    assert "um would give" in outcome.flags[0].message


def test_without_a_zero_the_run_is_refused(thinned):
    assert codes(reduced(thinned, zero=False)) == ["zero_missing"]


def test_a_run_that_is_heated_from_its_first_row_on_does_not_show_the_heat_capacity():
    made = simulate(Bench(), thinning_layer(), seed=3)
    late = made.run.time > 600.0
    columns = {name: values[late] for name, values in made.run.columns.items()}
    run = type(made.run)(made.run.time[late] - 600.0, columns, made.run.units, made.run.begin)
    outcome = reduced(made, run=run)
    assert codes(outcome) in (["not_quasi_steady"], ["gap_moves_too_little"], [])
    if outcome.figures:  # the cool-down at the end may have shown it
        assert abs(outcome.figures["conductivity"].value - 4.0) < 2.0 * outcome.figures["conductivity"].expanded


def test_a_run_without_heat_is_refused():
    made = simulate(Bench(), thinning_layer(), Plan(steps=(), seconds=900.0), seed=1)
    assert reduced(made).figures == {}


# --- robustness ----------------------------------------


def test_spikes_and_blanks_hardly_move_the_conductivity(thinned):
    run = spiked(thinned.run, "hot", share=0.01, size=20.0, seed=1)
    run = spiked(run, "gap", share=0.01, size=50.0, seed=2)
    run = blank(run, "cold", share=0.05, seed=3)
    found = reduced(thinned, run=run).figures["conductivity"]
    assert abs(found.value - 4.0) < 1.5 * found.expanded


def test_a_meter_bar_gives_its_conductivity_too():
    bench = Bench(heat_flow="meter_bar", depths=(2e-3, 12e-3), block_conductivity=390.0)
    outcome = reduced(simulate(bench, thinning_layer(), seed=1))
    found = outcome.figures["conductivity"]
    assert abs(found.value - 4.0) < found.expanded


# --- beside a series ----------------------------------------


def test_a_series_that_agrees_and_one_that_does_not(thinned):
    agree = reduced(thinned, series=series_of(4.02, 0.05)).parts["comparison"]
    assert (agree["agree"], agree["normalised_error"] <= 1.0) == (True, True)
    differ = reduced(thinned, series=series_of(5.0, 0.05)).parts["comparison"]
    assert differ["agree"] is False


# --- coverage ----------------------------------------


def test_intervals_of_a_few_runs_hold_the_truth():
    """40 runs here, 600 in `make bench`: 33 or fewer of 40 held would be a chance of one in a hundred at 95 %."""
    collected, refused = held(thinning, range(40))
    assert refused <= 4  # those moved by a few micrometres and were refused for it
    for name, errors in collected.items():
        assert sum(abs(error) <= 1.0 for error in errors) >= len(errors) - 6, name


# --- the command ----------------------------------------


def test_the_command_reads_files_and_prints_the_outcome(tmp_path, capsys):
    made = simulate(Bench(), thinning_layer(), SHORT, seed=2)
    (tmp_path / "run.csv").write_bytes(as_csv(made.run))
    (tmp_path / "zero.csv").write_bytes(as_csv(made.zero))
    (tmp_path / "rig.toml").write_text(as_toml(made.setup), encoding="utf-8")
    (tmp_path / "series.json").write_text(json.dumps(series_of(4.0, 0.1)), encoding="utf-8")
    files = [str(tmp_path / "run.csv"), "--setup", str(tmp_path / "rig.toml"), "--zero", str(tmp_path / "zero.csv")]
    assert main(["thinning", *files, "--series", str(tmp_path / "series.json"), "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["method"] == {"name": "thinning", "version": "1"}
    assert printed["comparison"]["series"]["value"] == pytest.approx(4.0)
    again = analysis.thinning(files[0], setup=files[2], zero=files[4], series=tmp_path / "series.json")
    assert json.loads(json.dumps(again.to_dict())) == printed
    (tmp_path / "series.json").write_text("{}", encoding="utf-8")
    assert main(["thinning", *files, "--series", str(tmp_path / "series.json")]) == 2
    assert "thickness series" in capsys.readouterr().err
