"""`python -m analysis rig`: figures of a rig from files; refusals are exit code 3."""

import json
import subprocess
import sys

import numpy as np
import pytest

SETUP = """
[rig]
name = "bench"
area = "1000 mm^2"

[[channel]]
column = "gap"
quantity = "gap"

[[channel]]
column = "force"
quantity = "force"

[[channel]]
column = "hot"
quantity = "hot_temperature"

[[channel]]
column = "cold"
quantity = "cold_temperature"
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "bench.toml").write_text(SETUP)
    rng = np.random.default_rng(2)
    rows = ["time [s],gap [um],force [N],hot [degC],cold [degC]"]
    for t in range(600):
        force = 100.0 + 400.0 * t / 600.0
        gap, hot, cold = 6.3 + 0.01 * force + 0.01 * rng.normal(), 23.05 + 0.01 * rng.normal(), 23.0
        rows.append(f"{t},{gap:.4f},{force:.3f},{hot:.4f},{cold:.4f}")
    (tmp_path / "ramp.csv").write_text("\n".join(rows) + "\n")
    return tmp_path


def command(*words):
    return subprocess.run(
        [sys.executable, "-m", "analysis", "rig", *map(str, words)], capture_output=True, text=True, check=False
    )


def test_a_ramp_gives_the_compliance(folder):
    done = command("compliance", folder / "ramp.csv", "--setup", folder / "bench.toml", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    figure = json.loads(done.stdout)["figures"]["frame_compliance"]
    assert (figure["value"], figure["unit"]) == (pytest.approx(10.0, rel=0.01), "um/kN")


def test_the_text_shows_figure_and_uncertainty(folder):
    done = command("offset", folder / "ramp.csv", "--setup", folder / "bench.toml")
    assert done.returncode == 0
    assert "Isothermal offset, hot less cold" in done.stdout
    assert "±" in done.stdout


def test_data_that_do_not_bear_a_figure_are_exit_code_3(folder):
    done = command("expansion", folder / "ramp.csv", "--setup", folder / "bench.toml")
    assert done.returncode == 3
    assert "not_defensible" in done.stdout


def test_a_file_that_is_no_result_is_exit_code_2(folder):
    done = command("floor", folder / "ramp.csv")
    assert (done.returncode, done.stdout) == (2, "")
