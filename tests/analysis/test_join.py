"""Two files of one run: joined by their clocks or by a stated offset, drawn straight, never over long gaps."""

import subprocess
import sys

import numpy as np
import pytest

import analysis
from analysis.errors import BadSetup, UnitError

SETUP = {"rig": {"area": "1000 mm^2"}}
ROWS = 900


def slow(t):
    """A temperature that moves evenly, so that straight lines between readings are exact."""
    return 60.0 + 1e-4 * t


def write(tmp_path, name, columns, *, start=None):
    path = tmp_path / name
    heads = list(columns)
    note = [f"# start: {start}"] if start else []
    rows = [",".join(repr(float(columns[head][row])) for head in heads) for row in range(len(columns[heads[0]]))]
    path.write_text("\n".join([*note, ",".join(heads), *rows]) + "\n")
    return path


def two(tmp_path, *, starts=(None, None), step=0.7, shift=2.5, drop=()):
    """The power by one logger at 1 s, both temperatures by another that began `shift` s later, every `step` s."""
    rng = np.random.default_rng(5)
    t = np.arange(float(ROWS))
    run = write(tmp_path, "run.csv", {"time [s]": t, "power [W]": 100 + 0.01 * rng.normal(size=ROWS)}, start=starts[0])
    own = np.arange(0.0, ROWS, step)
    own = own[~np.isin(np.arange(own.size), drop)]
    columns = {"t [s]": own, "hot [degC]": slow(own + shift), "cold [degC]": slow(own + shift) - 10.0}
    return run, write(tmp_path, "other.csv", columns, start=starts[1])


def test_readings_are_drawn_straight_onto_the_runs_instants(tmp_path):
    trace, _ = analysis.join(*two(tmp_path), setup=SETUP, offset="2.5 s")
    inside = trace.time >= 2.5
    np.testing.assert_allclose(trace.columns["hot"][inside], slow(trace.time[inside]), atol=1e-9)
    assert np.isnan(trace.columns["hot"][~inside]).all()
    assert trace.units["hot"] == "degC"


def test_an_offset_in_minutes_is_an_offset(tmp_path):
    files = two(tmp_path, shift=30.0)
    one, _ = analysis.join(*files, setup=SETUP, offset="0.5 min")
    other, _ = analysis.join(*files, setup=SETUP, offset=30.0)
    np.testing.assert_array_equal(one.columns["hot"], other.columns["hot"])


def test_clocks_of_both_files_join_them_across_zones(tmp_path):
    files = two(tmp_path, starts=("2026-03-01T09:00:00+01:00", "2026-03-01T08:00:02.5Z"))
    trace, _ = analysis.join(*files, setup=SETUP)
    np.testing.assert_allclose(trace.columns["hot"][10:], slow(trace.time[10:]), atol=1e-9)
    assert "2.5 s after run.csv by the clocks of both files" in trace.notes["joined with"]


def test_the_joined_run_reduces_to_the_figures_of_one_file(tmp_path):
    trace, setup = analysis.join(*two(tmp_path), setup=SETUP, offset=2.5)
    found = analysis.reduce(trace, setup=setup)
    assert found.figures["temperature_rise"].value == pytest.approx(10.0, abs=1e-6)
    # By hand: 10 K * 0.001 m2 / 100 W = 100 mm2 K/W.
    assert found.figures["thermal_impedance"].value == pytest.approx(1e-4, rel=1e-4)
    assert "other.csv" in found.notes["joined with"]


def test_a_setup_names_the_columns_of_both_files(tmp_path):
    channels = [
        {"column": "time", "quantity": "time"},
        {"column": "power", "quantity": "heater_power"},
        {"column": "hot", "quantity": "hot_temperature", "offset": 0.5},
        {"column": "cold", "quantity": "cold_temperature"},
    ]
    trace, setup = analysis.join(*two(tmp_path), setup={**SETUP, "channel": channels}, offset=2.5)
    found = analysis.reduce(trace, setup=setup)
    assert found.figures["temperature_rise"].value == pytest.approx(10.5, abs=1e-6)


def test_long_gaps_are_not_bridged_and_are_told(tmp_path):
    files = two(tmp_path, drop=range(300, 320))  # 14 s without a reading
    trace, _ = analysis.join(*files, setup=SETUP, offset=2.5)
    gone = np.flatnonzero(np.isnan(trace.columns["hot"]))
    gone = gone[gone > 10]
    # By hand: the readings around the gap stand at 0.7 * 299 + 2.5 = 211.8 s and 0.7 * 320 + 2.5 = 226.5 s.
    assert gone.tolist() == list(range(212, 227))
    assert f"{np.isnan(trace.columns['hot']).sum()} of 900 instants have no reading" in trace.notes["joined with"]


def test_short_gaps_are_bridged(tmp_path):
    trace, _ = analysis.join(*two(tmp_path, drop=(300,)), setup=SETUP, offset=2.5)
    assert np.isfinite(trace.columns["hot"][10:]).all()


def test_without_clocks_and_offset_the_files_are_not_joined(tmp_path):
    with pytest.raises(BadSetup, match=r"run\.csv and other\.csv do not tell when"):
        analysis.join(*two(tmp_path), setup=SETUP)
    with pytest.raises(BadSetup, match=r"^key 'offset': other\.csv does not tell when"):
        analysis.join(*two(tmp_path, starts=("2026-03-01T09:00:00Z", None)), setup=SETUP)


def test_files_that_do_not_overlap_are_refused(tmp_path):
    with pytest.raises(BadSetup, match="do not overlap"):
        analysis.join(*two(tmp_path), setup=SETUP, offset="2 h")


def test_an_offset_without_a_unit_is_refused(tmp_path):
    with pytest.raises(UnitError, match="has no unit"):
        analysis.join(*two(tmp_path), setup=SETUP, offset="2.5")


def test_a_column_that_is_in_both_is_taken_from_the_run(tmp_path):
    run = write(tmp_path, "run.csv", {"time [s]": np.arange(5.0), "hot [degC]": np.full(5, 1.0)})
    other = write(tmp_path, "other.csv", {"time [s]": np.arange(5.0), "hot [degC]": np.full(5, 2.0)})
    trace, _ = analysis.join(run, other, setup=SETUP, offset=0.0)
    assert trace.columns["hot"].tolist() == [1.0] * 5
    assert "also in run.csv and taken from there: hot" in trace.notes["joined with"]


def command(*words):
    return subprocess.run(
        [sys.executable, "-m", "analysis", "reduce", *map(str, words)], capture_output=True, text=True, check=False
    )


def test_the_command_joins_and_says_so(tmp_path):
    run, other = two(tmp_path)
    setup = tmp_path / "bench.toml"
    setup.write_text('[rig]\narea = "1000 mm^2"\n')
    done = command(run, "--with", other, "--offset", "2.5 s", "--setup", setup)
    assert (done.returncode, done.stderr) == (0, "")
    assert "joined with: other.csv" in done.stdout
    refused = command(run, "--offset", "2.5 s", "--setup", setup)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "--with" in refused.stderr
