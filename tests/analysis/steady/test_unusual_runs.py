"""Runs that are unlike the textbook and yet sound: none is refused, none is flagged for what it has not."""

from dataclasses import replace

import numpy as np
import pytest

from lims.demo.simulator import Bench, Layer, Plan, faults, simulate
from tests.analysis.steady.simulated import codes, errors, reduced, setup_of, with_run

BENCH = Bench()
HEATED = ((60.0, 150.0), (1700.0, 0.0))


def swinging(size, period, level=150.0):
    """Power steps every 2 s that follow a sine."""
    return (*((60.0 + 2.0 * i, level + size * np.sin(4.0 * np.pi * i / period)) for i in range(820)), (1700.0, 0.0))


RAMP = (*((60.0 + 5.0 * i, 150.0 * (i + 1) / 24.0) for i in range(24)), (1700.0, 0.0))
DECAY = (*((60.0 + 10.0 * i, 150.0 * (1.0 + np.exp(-i / 10.0))) for i in range(120)), (1700.0, 0.0))
LOUD = {"temperature": 0.3, "power": 2.0, "flow": 8e-7, "gap": 1e-6, "force": 5.0}

CASES = {
    "the coolant hunts fast": (BENCH, {"coolant_drift": lambda t: 0.2 * np.sin(2.0 * np.pi * t / 60.0)}),
    "the coolant hunts slowly": (BENCH, {"coolant_drift": lambda t: 0.2 * np.sin(2.0 * np.pi * t / 300.0)}),
    "the power is ramped up": (BENCH, {"steps": RAMP}),
    "the power is regulated and decays": (BENCH, {"steps": DECAY}),
    "the power hunts": (BENCH, {"steps": swinging(1.5, 60.0)}),
    "the power hunts widely": (BENCH, {"steps": swinging(10.0, 40.0)}),
    "the power hunts slowly": (BENCH, {"steps": swinging(1.5, 200.0)}),
    "one row in ten seconds": (BENCH, {"interval": 10.0, "seconds": 3000.0, "steps": ((60.0, 150.0), (2800.0, 0.0))}),
    "ten rows a second": (BENCH, {"interval": 0.1}),
    "rows at odd instants": (BENCH, {"jitter": 0.8}),
    "a long memory": (replace(BENCH, memory=30.0), {}),
    "loud channels": (replace(BENCH, noise=LOUD), {}),
    "coarse channels": (replace(BENCH, rounding={"degC": 0.5, "W": 1.0, "L/min": 0.1, "N": 5.0}, resolution=1e-6), {}),
    "a strict limit": (replace(BENCH, max_slope=0.01), {}),
    "a long shortest plateau": (replace(BENCH, min_duration=600.0, max_slope=0.02), {}),
    "hardly longer than the shortest plateau": (BENCH, {"steps": ((60.0, 150.0), (520.0, 0.0)), "seconds": 600.0}),
    "no cool-down": (BENCH, {"steps": ((60.0, 150.0),)}),
    "heated from the first row on": (BENCH, {"steps": ((-1.0, 150.0),)}),
    "pressed late": (BENCH, {"pressed_at": 400.0}),
    "one heater": (replace(BENCH, heaters=1), {}),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", [101, 102, 103])
def test_a_sound_run_is_reduced_without_a_flag(case, seed):
    bench, plan = CASES[case]
    made = simulate(bench, plan=Plan(**plan), seed=seed)
    found = reduced(made)
    assert set(codes(found)) <= {"heat_imbalance"}  # by chance in a few of a hundred
    assert found.settled.found
    off = errors(made, found, ("temperature_rise", "thermal_impedance", "gap"))
    assert max(abs(error) for error in off.values()) < 1.7  # 3.3 standard uncertainties


@pytest.mark.parametrize(("size", "period"), [(5.0, 60.0), (10.0, 300.0)])
def test_a_force_that_swings_is_one_stretch(size, period):
    made = simulate(BENCH, seed=101)
    swing = size * np.sin(2.0 * np.pi * made.run.time / period)
    found = reduced(
        with_run(made, faults.changed(made.run, "force", lambda force: force + np.where(force > 1.0, swing, 0.0)))
    )
    assert codes(found) == []
    assert found.settled.end_s == 1699.0


def test_one_wild_heater_reading_does_not_make_the_heat():
    made = simulate(BENCH, seed=101)
    wild = faults.spiked(made.run, "heater 1", share=0.002, size=1e5)
    found = reduced(with_run(made, wild))
    assert codes(found) == []
    assert found.figures["heat_flow"].value == pytest.approx(reduced(made).figures["heat_flow"].value, abs=0.05)


def test_a_room_sensor_without_a_reading_counts_as_not_recorded():
    made = simulate(BENCH, seed=101)
    found = reduced(with_run(made, faults.blank(made.run, "room", share=1.1)))
    assert codes(found) == ["samples_missing"]
    assert "23 degC" in found.notes["room temperature"]


def test_without_nominal_values_nothing_is_off_nominal():
    made = simulate(BENCH, seed=101)
    found = reduced(made, setup=setup_of(made, nominal={}, tolerance={}))
    assert codes(found) == []
    assert found.settled.end_s == 1699.0


def test_a_layer_that_creeps_for_ever_still_gives_the_figures_of_its_plateau():
    made = simulate(BENCH, Layer(gap_end=40e-6, exponent=0.7, pressing_time=5.0), Plan(steps=HEATED), seed=101)
    found = reduced(made)
    assert codes(found) == ["gap_moving"]
    truth = made.truth(found.settled.start_s, found.settled.end_s)
    assert abs(found.figures["gap"].value - truth["gap"]) < found.figures["gap"].expanded
