"""Isothermal offset of the sensors."""

import numpy as np
import pytest

from analysis.rig import sensor_offset
from tests.analysis.rig.made import noise, setup, trace

N = 600


def isothermal(seed, offset, *, at=23.0, power=0.0, drift=0.0, number=0):
    rng = np.random.default_rng(seed)
    t = np.arange(N)
    level = at + drift * t
    columns = {
        "power": np.full(N, power),
        "hot": level + offset + noise(rng, 0.01, N),
        "cold": level + noise(rng, 0.01, N),
    }
    return trace(columns, f"iso-{number}.csv")


def test_the_offset_is_hot_less_cold():
    found = sensor_offset([isothermal(1, 0.05)], setup())
    assert found.figures["temperature_offset"].value == pytest.approx(0.05, abs=0.004)
    assert found.parts["runs"][0]["temperature_degC"] == pytest.approx(23.0, abs=0.05)


def test_the_interval_holds_the_truth_in_about_95_of_100():
    held = []
    for seed in range(100):
        offset = 0.002 * (seed - 50)
        made = [isothermal(7000 + 3 * seed + n, offset, at=20.0 + 10 * n, number=n) for n in range(3)]
        found = sensor_offset(made, setup()).figures["temperature_offset"]
        held.append(abs(found.value - offset) <= found.expanded)
    assert 89 <= sum(held) <= 100


def test_runs_that_disagree_widen_the_figure():
    alike = sensor_offset([isothermal(n, 0.05, number=n) for n in range(3)], setup())
    unlike = sensor_offset([isothermal(n, 0.05 + 0.03 * n, number=n) for n in range(3)], setup())
    assert unlike.figures["temperature_offset"].u > 3 * alike.figures["temperature_offset"].u


@pytest.mark.parametrize(("run", "words"), [({"power": 20.0}, "heater is on"), ({"drift": 0.01}, "drift")])
def test_a_run_that_is_not_isothermal_is_refused(run, words):
    found = sensor_offset([isothermal(3, 0.05, **run)], setup())
    assert found.figures == {}
    assert words in found.flags[0].message


def test_a_run_that_is_left_out_is_told():
    found = sensor_offset([isothermal(4, 0.05), isothermal(5, 0.05, power=20.0, number=1)], setup())
    assert found.figures
    assert "iso-1.csv" in found.flags[0].message
