"""Which plateau counts, where it starts and ends, and what is listed beside it."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from analysis.errors import OutOfRange
from lims.demo.simulator import Bench, Layer, Plan, faults, simulate
from tests.analysis.steady.simulated import codes, errors, reduced, setup_of, with_run

BENCH = Bench()
DONE = Layer(gap_open=50e-6)  # pressed out before the run


def run(bench=BENCH, layer=None, *, seed=3, **plan):
    return simulate(bench, layer, Plan(**plan), seed=seed)


def test_the_plateau_ends_with_the_last_row_of_full_power():
    found = reduced(run(steps=((60.0, 150.0), (1700.0, 0.0)))).settled
    assert found.end_s == 1699.0
    assert found.rows == found.end_s - found.start_s + 1


@pytest.mark.parametrize("interval", [0.1, 0.5, 2.0, 5.0])
def test_no_row_after_the_switch_sneaks_in_at_any_rate(interval):
    made = run(interval=interval, steps=((60.0, 150.0), (1200.3, 0.0)), seconds=1400.0)
    end = reduced(made).settled.end_s
    assert 1200.3 - 2.0 * interval <= end < 1200.3


def test_the_beginning_that_still_approaches_is_left_out():
    slow = replace(BENCH, hot_capacity=1500.0)
    made = run(slow, DONE, steps=((60.0, 150.0),), seconds=1700.0)
    found = reduced(made)
    assert found.settled.start_s > 60.0 + 4.0 * 1500.0 * 0.0205  # four time constants of the hot block
    assert abs(errors(made, found)["temperature_rise"]) < 1.0


def test_the_last_of_equal_plateaus_counts():
    # Power drops for a minute in the middle: two plateaus at nominal power.
    made = run(steps=((60.0, 150.0), (900.0, 40.0), (960.0, 150.0), (1800.0, 0.0)))
    found = reduced(made)
    assert [round(plateau.settled.end_s) for plateau in found.plateaus] == [899, 1799]
    assert all(plateau.nominal for plateau in found.plateaus)
    assert found.settled.end_s == 1799.0
    assert codes(found) == []


@pytest.mark.parametrize(
    ("steps", "counts"),
    [
        (((60.0, 75.0), (900.0, 150.0), (1800.0, 0.0)), 1799),
        (((60.0, 150.0), (900.0, 75.0), (1800.0, 0.0)), 899),
        (((60.0, 150.0), (900.0, 200.0), (1800.0, 0.0)), 899),
        (((60.0, 50.0), (700.0, 100.0), (1250.0, 150.0)), 1919),
    ],
)
def test_the_plateau_at_nominal_power_counts_among_steps(steps, counts):
    made = run(steps=steps)
    found = reduced(made)
    assert codes(found) == []
    assert round(found.settled.end_s) == counts
    assert [plateau.nominal for plateau in found.plateaus].count(True) == 1
    assert found.figures["heat_flow"].value == pytest.approx(149.2, abs=0.8)


def test_every_step_is_listed_with_its_conditions_and_figures():
    found = reduced(run(steps=((60.0, 50.0), (700.0, 100.0), (1250.0, 150.0))))
    heats = [plateau.figures["heat_flow"].value for plateau in found.plateaus]
    assert heats == pytest.approx([49.8, 99.5, 149.2], abs=0.8)
    impedances = [plateau.figures["thermal_impedance"] for plateau in found.plateaus]
    for one, other in pairwise(impedances):
        assert abs(one.value - other.value) < 2.0 * np.hypot(one.u, other.u)
    assert {"pressure", "coolant_temperature", "gap"} <= set(found.plateaus[0].figures)


def test_a_cool_down_that_has_come_to_rest_never_counts():
    found = reduced(run(steps=((60.0, 150.0), (900.0, 0.0)), seconds=3000.0))
    assert len(found.plateaus) == 1
    assert found.settled.end_s == 899.0


def test_without_a_nominal_power_the_highest_lasting_one_counts():
    made = run(steps=((60.0, 150.0), (900.0, 60.0)), nominal_power=None)
    found = reduced(made)
    assert found.settled.end_s == 899.0
    assert codes(found) == []


def test_the_plateau_at_nominal_force_counts_among_forces():
    made = run(layer=DONE, seconds=2400.0, steps=((60.0, 150.0),))
    later = made.run.time >= 1300.0
    more = faults.changed(made.run, "force", lambda force: np.where(later, force + 100.0, force))
    found = reduced(with_run(made, more))
    assert found.settled.end_s == 1299.0
    assert codes(found) == []
    assert [plateau.nominal for plateau in found.plateaus] == [True, False]


def test_a_meter_bar_without_a_power_channel_ends_where_the_rise_falls():
    bars = replace(BENCH, heat_flow="meter_bar", depths=(3e-3, 10e-3, 17e-3))
    made = run(bars, steps=((60.0, 150.0), (1500.0, 0.0)), seconds=2400.0)
    found = reduced(made)
    assert 1480.0 <= found.settled.end_s <= 1502.0
    assert len(found.plateaus) == 1
    assert abs(errors(made, found)["thermal_impedance"]) < 1.0


def test_a_heater_that_switches_on_and_off_to_hold_its_mean_is_one_plateau():
    # 300 W for half of every 8 s: the logger sees two levels, the blocks see 150 W.
    made = run(layer=DONE, steps=((60.0, 150.0), (1700.0, 0.0)))
    on = (made.run.time // 4.0) % 2.0 == 0.0
    switching = made.run
    for n in range(1, 7):
        switching = faults.changed(
            switching, f"heater {n}", lambda power: np.where(power > 1.0, 2.0 * power * on, power)
        )
    found = reduced(with_run(made, switching))
    assert codes(found) == []
    assert found.figures["heat_flow"].value == pytest.approx(149.2, abs=1.5)
    assert found.settled.end_s < 1704.0


def test_a_noisy_channel_sampled_slowly_still_settles():
    noisy = replace(BENCH, noise={**BENCH.noise, "temperature": 0.15}, memory=0.0)
    for seed in range(12):
        found = reduced(run(noisy, interval=10.0, seconds=3000.0, steps=((60.0, 150.0),), seed=seed))
        assert found.settled.found, seed


def test_a_chosen_window_that_is_not_settled_is_flagged_and_still_computed():
    made = run(replace(BENCH, hot_capacity=3000.0), steps=((60.0, 150.0), (700.0, 0.0)), seconds=900.0)
    found = reduced(made, window=(120.0, 320.0))
    assert "not_settled" in codes(found)
    assert found.figures
    assert found.settled.chosen_by_hand


@pytest.mark.parametrize("window", [(500.0, 400.0), (1e6, 2e6), (100.2, 100.8)])
def test_a_chosen_window_without_rows_is_refused(window):
    with pytest.raises(OutOfRange, match="rows"):
        reduced(run(), window=window)


def test_stored_heat_is_taken_out_of_the_heat_flow():
    # The coolant warms by 0.2 K/min and the blocks with it: 2 kJ/K then store 6.7 W of 150 W.
    heavy = replace(BENCH, hot_capacity=2000.0, u_loss=0.0, u_power=0.01)
    made = run(
        heavy, DONE, seconds=2600.0, steps=((60.0, 150.0),), coolant_drift=lambda t: np.maximum(t - 300.0, 0) / 300.0
    )
    found = reduced(made, setup=setup_of(made, tolerance={}), window=(1800.0, 2500.0))
    truth = made.truth(1800.0, 2500.0)["heat_flow"]
    heat = found.figures["heat_flow"]
    assert 150.0 - truth > 5.0
    assert abs(heat.value - truth) < heat.expanded
    assert heat.value == pytest.approx(truth, abs=1.5)


# --- press ---------------------------------------------------------------------------------------------------------


def test_the_press_is_described():
    layer = Layer(gap_open=300e-6, gap_end=50e-6, pressing_time=20.0, exponent=2.0)
    made = run(layer=layer, seed=4)
    press, gap = reduced(made).press, reduced(made).figures["gap"]
    assert press.gap_before == pytest.approx(300e-6, abs=1.0e-6)
    assert press.gap_end == pytest.approx(gap.value, abs=0.2e-6)
    # 250 um * (1 + t / 20)^-2 = 1 um after 296 s
    assert press.time_to_end == pytest.approx(20.0 * (np.sqrt(250.0) - 1.0), rel=0.15)
    assert 0.5 < press.exponent < 2.1


@pytest.mark.parametrize("end", [0.0, 40e-6])
def test_the_exponent_is_that_of_the_power_law(end):
    # A Newtonian fluid between plates under constant force: gap ~ t^-1/2 (Stefan 1874, closed form); or with an end.
    made = run(layer=Layer(gap_open=120e-6, gap_end=120e-6), seed=4)
    since = np.maximum(made.run.time - 40.0, 0.0)
    pressed = 1e6 * (end + np.minimum(100e-6 * (np.maximum(since, 1e-9) / 10.0) ** -0.5, 400e-6)) + 6.3
    found = reduced(with_run(made, faults.changed(made.run, "gap", lambda gap: pressed)), setup=setup_of(made))
    assert found.press.exponent == pytest.approx(0.5, abs=0.05)


def test_a_layer_that_is_never_pressed_has_no_press():
    press = reduced(run(layer=DONE)).press
    assert press.time_to_end is None or press.time_to_end < 5.0
    assert press.exponent is None


def test_without_a_zero_the_press_has_times_and_no_gaps():
    press = reduced(run(), zero=False).press
    assert (press.gap_before, press.gap_end) == (None, None)
    assert press.time_to_end > 100.0
