"""The budget of a run, against Monte Carlo and against the other library that carries degrees of freedom."""

from dataclasses import replace

import GTC
import numpy as np
import pytest

from lims.demo.simulator import Bench, Layer, Plan, faults, simulate
from tests.analysis.steady.simulated import reduced, setup_of, with_run


@pytest.fixture(scope="module")
def made():
    return simulate(Bench(u_area=4e-6), seed=12)


def lines(found, name):
    return {line.source: line for line in found.budget[name]}


def test_the_budget_names_every_contribution(made):
    found = lines(reduced(simulate(Bench(u_area=4e-6), plan=Plan(zero_after=True, zero_drift=1e-10), seed=12)), "gap")
    assert {"gap calibration", "gap expansion", "gap resolution", "zero resolution", "zero readings"} <= set(found)
    assert {"zero drift", "scatter of the readings"} <= set(found)
    impedance = lines(reduced(made), "thermal_impedance")
    assert {"hot_temperature calibration", "cold_temperature calibration", "heater_power calibration"} <= set(impedance)
    assert {"area", "block conductivity", "loss conductance", "scatter of the readings"} <= set(impedance)
    assert {line.kind for line in impedance.values()} == {"A", "B"}


def test_a_calibration_contributes_what_the_closed_form_says(made):
    found = reduced(made)
    line = lines(found, "thermal_impedance")["hot_temperature calibration"]
    by_rise = 0.03 * 1000e-6 / found.figures["heat_flow"].value
    by_loss = found.figures["thermal_impedance"].value * 0.08 * 0.03 / found.figures["heat_flow"].value
    assert line.u == pytest.approx(by_rise, abs=2.0 * by_loss)


def test_the_largest_line_counts_for_what_it_takes_away(made):
    whole = reduced(made).figures["temperature_rise"]
    channels = tuple(
        replace(channel, u=0.0) if channel.quantity == "hot_temperature" else channel
        for channel in setup_of(made).channels
    )
    less = reduced(made, setup=setup_of(made, channels=channels)).figures["temperature_rise"]
    gone = lines(reduced(made), "temperature_rise")["hot_temperature calibration"].u
    assert less.u == pytest.approx(np.sqrt(whole.u**2 - gone**2), rel=1e-6)


def test_what_is_common_to_a_rig_carries_its_name(made):
    common = {line.source: line.common for line in reduced(made).budget["thermal_impedance"]}
    assert common["area"] == "north: area"
    assert common["hot_temperature calibration"] == "north: hot_temperature calibration"
    assert common["scatter of the readings"] == ""
    gap = {line.source: line.common for line in reduced(made).budget["gap"]}
    assert gap["zero readings"] == "zero: digest of zero.csv"


def test_two_plateaus_of_one_rig_share_their_calibration_errors(made):
    # The errors of sensors and blocks cancel in the difference of two runs on one rig: it scatters by far less.
    differences, singles = [], []
    for seed in range(25):
        pair = [
            reduced(simulate(Bench(), seed=seed * 2 + n, rig_seed=seed)).figures["thermal_impedance"] for n in (0, 1)
        ]
        differences.append(pair[0].value - pair[1].value)
        singles.append(pair[0].u)
    assert np.std(differences) < 0.3 * np.mean(singles)


def impedance_by_gtc(found, made):
    """theta by GTC from the same means and uncertainties, Type A left out."""
    window = (made.run.time >= found.settled.start_s) & (made.run.time <= found.settled.end_s)
    mean = {name: float(values[window].mean()) for name, values in made.run.columns.items()}
    power = sum(GTC.ureal(mean[f"heater {n}"], 0.05) for n in range(1, 7))
    hot, cold, room = GTC.ureal(mean["hot"], 0.03), GTC.ureal(mean["cold"], 0.03), GTC.ureal(mean["room"], 0.2)
    area, k, loss = GTC.ureal(1000e-6, 4e-6), GTC.ureal(390.0, 4.0), GTC.ureal(0.08, 0.02)
    heat = power - loss * (hot - room)
    flux = heat / area
    return (hot - cold - 2.0 * flux * 0.002 / k) * area / heat


def test_the_whole_budget_agrees_with_gtc_but_for_scatter_and_storage(made):
    found = reduced(made)
    theirs = impedance_by_gtc(found, made)
    own = [line for line in found.budget["thermal_impedance"] if "scatter" not in line.source]
    own = [line for line in own if line.source not in ("residual slope", "heat stored in the hot block")]
    assert found.figures["thermal_impedance"].value == pytest.approx(theirs.x, rel=1e-4)
    assert np.sqrt(sum(line.u**2 for line in own)) == pytest.approx(theirs.u, rel=1e-3)


def test_scatter_is_found_with_the_correlation_between_channels(made):
    # Both blocks follow the coolant: their common wander must not count in the rise.
    rng = np.random.default_rng(3)
    wander = 0.3 * np.convolve(rng.normal(size=made.run.time.size + 60), np.full(61, 1.0 / 8.0), mode="valid")
    both = made.run
    for column in ("hot", "cold"):
        both = faults.changed(both, column, lambda values: values + wander)
    still, moved = reduced(made), reduced(with_run(made, both), window=(600.0, 1690.0))
    scatter = lines(moved, "temperature_rise")["scatter of the readings"].u
    assert scatter == pytest.approx(lines(still, "temperature_rise")["scatter of the readings"].u, rel=0.5)
    assert lines(moved, "hot_temperature")["scatter of the readings"].u > 5.0 * scatter


def test_a_coarse_reading_is_not_known_better_than_its_steps():
    made = simulate(
        Bench(rounding={"degC": 0.5}, noise={**Bench().noise, "temperature": 0.001}, u_temperature=0.0), seed=9
    )
    rise = reduced(made).figures["temperature_rise"]
    assert rise.u > 0.5 / np.sqrt(12.0)  # JCGM 100:2008, F.2.2.1, for each of two sensors


def test_a_chosen_window_is_used_and_marked(made):
    found = reduced(made, window=(900.0, 1200.0))
    assert (found.settled.start_s, found.settled.end_s, found.settled.rows) == (900.0, 1200.0, 301)
    assert found.settled.chosen_by_hand
    assert not any(plateau.settled.chosen_by_hand for plateau in found.plateaus)


def test_the_plateau_found_chosen_by_hand_gives_the_same_figures(made):
    found = reduced(made)
    again = reduced(made, window=(found.settled.start_s, found.settled.end_s))
    assert again.figures == found.figures
    assert again.settled.chosen_by_hand


@pytest.mark.parametrize("seconds", [1200.0, 1500.0, 2000.0])
def test_a_mean_that_is_short_of_its_end_says_so(seconds):
    # First-order approach: T_end - T(t) = tau dT/dt. 8 kJ/K make tau 0.33 ks; the slope passes long before the end.
    slow, done = Bench(hot_capacity=8000.0), Layer(gap_open=50e-6)
    plan = Plan(steps=((60.0, 150.0),), seconds=seconds)
    rest = simulate(slow, done, replace(plan, seconds=9000.0), seed=3).true_series["temperature_rise"][-1]
    made = simulate(slow, done, plan, seed=3)
    found = reduced(made)
    short = rest - made.truth(found.settled.start_s, found.settled.end_s)["temperature_rise"]
    assert short > 0.5 * found.figures["temperature_rise"].u  # so that the test can fail
    assert short < 1.96 * lines(found, "temperature_rise")["residual slope"].u
