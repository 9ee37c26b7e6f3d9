"""Every flag: raised when it must be, with its severity and its numbers, and on nothing else."""

import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from lims.demo.simulator import ICE, Bench, Layer, Plan, faults, simulate
from tests.analysis.steady.simulated import codes, message, reduced, severity, with_run

BENCH = Bench()


def run(bench=BENCH, layer=None, *, seed=3, **plan):
    return simulate(bench, layer, Plan(**plan), seed=seed)


@pytest.fixture(scope="module")
def clean():
    return run()


def test_a_clean_run_has_no_flag(clean):
    assert codes(reduced(clean)) == []


# --- zero ----------------------------------------------------------------------------------------------------------


def test_a_zero_older_than_allowed_is_stale_and_its_figures_stand():
    found = reduced(run(zero_before=timedelta(hours=9)))
    assert codes(found) == ["zero_stale"]
    assert severity(found, "zero_stale") == "blocks"
    assert found.flags[0].figures == ("gap", "apparent_conductivity")
    assert "8.95 h" in message(found, "zero_stale")
    assert "8 h" in message(found, "zero_stale")
    assert found.figures["gap"].value == pytest.approx(50e-6, abs=1.5e-6)


def test_a_zero_just_young_enough_is_not_stale():
    assert codes(reduced(run(zero_before=timedelta(hours=7, minutes=55)))) == []


def test_without_a_zero_there_is_no_gap_and_no_conductivity(clean):
    found = reduced(clean, zero=False)
    assert codes(found) == ["zero_missing"]
    assert severity(found, "zero_missing") == "blocks"
    assert not {"gap", "apparent_conductivity"} & set(found.figures)
    assert "thermal_impedance" in found.figures


def test_a_zero_reading_in_the_setup_stands_in_for_a_zero_run():
    found = reduced(run(extra={"gap": {"zero_reading": "6.3 um"}}), zero=False)
    assert codes(found) == []
    assert "half-way" in found.notes["zero temperature"]
    assert found.figures["gap"].value == pytest.approx(50e-6, abs=2.0 * found.figures["gap"].expanded)


@pytest.mark.parametrize(("drift", "expected"), [(4e-10, ["zero_drift"]), (-4e-10, ["zero_drift"]), (1e-10, [])])
def test_a_zero_that_moved_by_more_than_allowed_is_flagged(drift, expected):
    # 4e-10 m/s over the 4260 s from zero to zero-after is 1.7 um; 1 um is allowed.
    found = reduced(run(zero_after=True, zero_drift=drift))
    assert codes(found) == expected
    if expected:
        assert severity(found, "zero_drift") == "blocks"
        assert "1.7" in message(found, "zero_drift")


# --- conditions ----------------------------------------------------------------------------------------------------


def test_a_dead_heater_channel_is_named_and_its_figures_stand():
    found = reduced(run(dead_heater=2))
    assert set(codes(found)) == {"heater_channel_dead", "power_off_nominal"}
    assert severity(found, "heater_channel_dead") == severity(found, "power_off_nominal") == "blocks"
    assert "'heater 3'" in message(found, "heater_channel_dead")
    assert re.search(r"power 12[45]\.\d+ W on the plateau, nominal 150 W", message(found, "power_off_nominal"))
    assert found.figures["heat_flow"].value == pytest.approx(124.5, abs=1.0)


def test_a_heater_that_dies_half_way_is_named_though_the_plateau_before_it_is_used():
    made = run()
    after = made.run.time > 1200.0
    dead = faults.changed(made.run, "heater 4", lambda power: np.where(after, 0.0, power))
    found = reduced(with_run(made, dead))
    assert "heater_channel_dead" in codes(found)
    assert found.settled.end_s <= 1200.0


def test_a_heater_that_starts_later_than_the_others_is_not_dead():
    made = run()
    early = made.run.time < 200.0
    late = faults.changed(made.run, "heater 4", lambda power: np.where(early, 0.0, power))
    assert codes(reduced(with_run(made, late))) == []


@pytest.mark.parametrize("power", [140.0, 147.0, 153.0])
def test_a_power_outside_its_tolerance_is_off_nominal(power):
    found = reduced(run(steps=((60.0, power), (1700.0, 0.0))))
    assert codes(found) == ["power_off_nominal"]
    assert "within 1.5 W" in message(found, "power_off_nominal")
    assert found.figures


def test_a_power_within_its_tolerance_is_not():
    assert codes(reduced(run(steps=((60.0, 151.0), (1700.0, 0.0))))) == []


def test_a_force_outside_its_tolerance_is_off_nominal():
    found = reduced(run(extra={"nominal": {"force": "300 N"}}))
    assert codes(found) == ["force_off_nominal"]
    assert severity(found, "force_off_nominal") == "blocks"
    assert "nominal 300 N within 6 N" in message(found, "force_off_nominal")


def test_a_coolant_outside_its_tolerance_is_off_nominal():
    found = reduced(run(coolant=27.0 + ICE, extra={"nominal": {"coolant_temperature": "25 degC"}}))
    assert codes(found) == ["coolant_off_nominal"]
    assert severity(found, "coolant_off_nominal") == "blocks"
    assert "within 0.5 K" in message(found, "coolant_off_nominal")


@pytest.mark.parametrize(("kelvin", "expected"), [(0.4, []), (0.9, ["coolant_unsteady"])])
def test_a_coolant_that_wanders_is_unsteady_and_the_run_still_settles(kelvin, expected):
    found = reduced(run(coolant_drift=lambda t: kelvin * np.clip((t - 900.0) / 800.0, 0.0, 1.0)))
    assert codes(found) == expected
    assert found.settled.found
    if expected:
        assert severity(found, "coolant_unsteady") == "cautions"


def test_a_coolant_that_swings_is_unsteady():
    found = reduced(run(coolant_drift=lambda t: 0.45 * np.sin(2.0 * np.pi * t / 400.0)))
    assert codes(found) == ["coolant_unsteady"]


# --- settling ------------------------------------------------------------------------------------------------------


def test_a_run_switched_off_while_it_still_warms_is_not_settled():
    slow = replace(BENCH, hot_capacity=3000.0)
    found = reduced(run(slow, steps=((60.0, 150.0), (500.0, 0.0)), seconds=800.0))
    assert codes(found) == ["not_settled"]
    assert severity(found, "not_settled") == "blocks"
    assert (found.figures, found.settled.found, found.press) == ({}, False, None)
    assert "against 0.05 K/min" in message(found, "not_settled")


def test_blocks_that_warm_together_are_not_settled_however_flat_the_rise():
    made = run(coolant_drift=lambda t: 0.3 / 60.0 * np.clip(t - 60.0, 0.0, None))
    rise = made.true_series["temperature_rise"]
    assert np.ptp(rise[1200:1600]) < 0.02  # flat: well under 0.05 K/min
    found = reduced(made)
    assert codes(found) == ["not_settled"]
    assert re.search(r"cold block 0\.2\d* K/min against 0\.225 K/min", message(found, "not_settled"))


def test_a_cooled_block_that_still_stores_heat_is_not_settled():
    # 60 kJ/K behind 40 W/K: 1500 s; the rise is flat after a few minutes while both blocks climb by 0.2 K/min.
    heavy = replace(BENCH, cold_capacity=60_000.0)
    made = run(heavy, steps=((60.0, 300.0), (900.0, 0.0)), seconds=1000.0, nominal_power=300.0)
    assert np.ptp(made.true_series["temperature_rise"][500:890]) < 0.05
    assert codes(reduced(made)) == ["not_settled"]


def test_a_nominal_power_too_short_to_settle_is_not_replaced_by_an_earlier_step():
    found = reduced(run(steps=((60.0, 75.0), (900.0, 150.0), (1010.0, 0.0)), seconds=1200.0))
    assert codes(found) == ["not_settled"]
    assert "lasts only 110 s" in message(found, "not_settled")
    assert len(found.plateaus) == 1  # the earlier step is listed, not used
    assert not found.plateaus[0].nominal


def test_a_run_that_is_never_heated_is_not_settled():
    found = reduced(run(steps=()))
    assert codes(found) == ["not_settled"]
    assert "never" in message(found, "not_settled") or "nominal" in message(found, "not_settled")


@pytest.mark.parametrize("factor", [2.0, 4.0])
def test_a_rise_that_drifts_by_more_than_the_limit_is_not_settled(factor):
    made = simulate(BENCH, Layer(gap_open=50e-6), Plan(), seed=8)
    drifting = faults.drifting(made.run, "hot", rate=factor * 0.05 / 60.0)
    found = reduced(with_run(made, drifting))
    assert codes(found) == ["not_settled"]


# --- gap and heat --------------------------------------------------------------------------------------------------


def test_a_gap_under_its_uncertainty_gives_no_conductivity():
    found = reduced(run(layer=Layer(gap_end=0.3e-6)))
    assert codes(found) == ["gap_below_resolution"]
    assert severity(found, "gap_below_resolution") == "cautions"
    assert "gap" in found.figures
    assert "apparent_conductivity" not in found.figures


def test_a_gap_that_creeps_is_moving():
    found = reduced(run(layer=Layer(creep=3e-9)))
    assert codes(found) == ["gap_moving"]
    assert severity(found, "gap_moving") == "cautions"
    assert "-2." in message(found, "gap_moving")


def test_heat_that_the_coolant_does_not_carry_is_an_imbalance(clean):
    found = reduced(with_run(clean, faults.scaled(clean.run, "flow", factor=1.2)))
    assert codes(found) == ["heat_imbalance"]
    assert severity(found, "heat_imbalance") == "blocks"
    assert found.figures["heat_balance"].value == pytest.approx(-0.19, abs=0.03)


def test_an_imbalance_within_its_uncertainty_is_none(clean):
    # 2 % more flow is less than 5 %, and less than what the coolant's sensors can tell.
    assert codes(reduced(with_run(clean, faults.scaled(clean.run, "flow", factor=1.02)))) == []


@pytest.mark.parametrize(
    ("kind", "expected"), [("paste", ["implausible_conductivity"]), ("liquid metal", []), ("", [])]
)
def test_a_conductivity_is_held_against_its_kind(kind, expected):
    layer = Layer(conductivity=40.0, contact=0.2e-6, gap_end=150e-6)
    found = reduced(run(layer=layer, extra={"run": {"kind": kind}} if kind else {}))
    assert codes(found) == expected
    if expected:
        assert severity(found, "implausible_conductivity") == "blocks"
        assert "a paste can reach" in message(found, "implausible_conductivity")


# --- the recording -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("column", ["hot", "cold", "coolant in", "heater 2", "force"])
def test_a_sensor_that_repeats_itself_is_stuck(clean, column):
    found = reduced(with_run(clean, faults.stuck(clean.run, column, start=900.0, end=990.0)))
    assert codes(found) == ["sensor_stuck"]
    assert severity(found, "sensor_stuck") == "blocks"
    assert f"'{column}'" in message(found, "sensor_stuck")
    assert "for 90 s from 900 s" in message(found, "sensor_stuck")


def test_a_sensor_stuck_to_the_end_of_the_run_is_found(clean):
    assert "sensor_stuck" in codes(reduced(with_run(clean, faults.stuck(clean.run, "hot", start=900.0, end=1e9))))


def test_a_sensor_that_repeats_itself_for_less_than_a_minute_is_not(clean):
    assert codes(reduced(with_run(clean, faults.stuck(clean.run, "cold", start=900.0, end=950.0)))) == []


@pytest.mark.parametrize("step", [0.1, 0.5])
def test_a_coarse_channel_that_repeats_itself_by_nature_is_not_stuck(step):
    coarse = replace(BENCH, rounding={"degC": step, "W": step, "N": 1.0, "um": 1.0}, u_temperature=step)
    assert "sensor_stuck" not in codes(reduced(run(coarse, seed=4)))


def test_a_column_that_never_changes_is_not_stuck(clean):
    constant = faults.changed(clean.run, "room", lambda values: np.full_like(values, 23.0))
    assert codes(reduced(with_run(clean, constant))) == []


@pytest.mark.parametrize(("share", "expected"), [(0.004, None), (0.05, "cautions"), (0.3, "blocks")])
@pytest.mark.parametrize("column", ["hot", "gap", "heater 1"])
def test_missing_samples_caution_and_above_a_fifth_block(clean, column, share, expected):
    found = reduced(with_run(clean, faults.blank(clean.run, column, share=share)))
    assert codes(found) == (["samples_missing"] if expected else [])
    if expected:
        assert severity(found, "samples_missing") == expected
        assert f"'{column}'" in message(found, "samples_missing")
    whole = reduced(clean).figures
    for name, figure in found.figures.items():
        assert abs(figure.value - whole[name].value) < 0.6 * whole[name].u, name


def test_spikes_are_rejected_counted_and_leave_the_figures_alone(clean):
    found = reduced(with_run(clean, faults.spiked(clean.run, "hot", share=0.03, size=6.0)))
    assert codes(found) == ["samples_missing"]
    assert severity(found, "samples_missing") == "cautions"
    assert "rejected as spikes" in message(found, "samples_missing")
    assert found.figures["temperature_rise"].value == pytest.approx(
        reduced(clean).figures["temperature_rise"].value, abs=0.004
    )


def test_a_few_spikes_are_rejected_without_a_word(clean):
    found = reduced(with_run(clean, faults.spiked(clean.run, "hot", share=0.004, size=80.0)))
    assert codes(found) == []
    assert found.figures["temperature_rise"].value == pytest.approx(
        reduced(clean).figures["temperature_rise"].value, abs=0.004
    )


def test_missing_instants_are_counted(clean):
    lost = np.isin(np.arange(clean.run.time.size), [1000, 1001, 1002, 1300])
    found = reduced(with_run(clean, faults.without_rows(clean.run, lost)))
    assert codes(found) == ["clock_irregular"]
    assert severity(found, "clock_irregular") == "cautions"
    assert "4 instants missing, the longest gap 4 s" in message(found, "clock_irregular")


def test_rows_out_of_order_and_repeated_instants_are_reported(clean):
    from analysis.methods.steady import reduce_steady
    from tests.analysis.steady.simulated import setup_of, trace_of

    trace = replace(trace_of(clean.run), unsorted=3, repeated=2, time_problem="the hour from 02:00 occurs twice")
    found = reduce_steady(trace, setup_of(clean), zero=trace_of(clean.zero))
    text = message(found, "clock_irregular")
    assert "3 rows out of time order" in text
    assert "2 rows with an instant that a later row repeats" in text
    assert "occurs twice" in text


def test_a_logger_that_jitters_or_changes_its_rate_is_not_irregular():
    assert codes(reduced(run(jitter=0.6))) == []
    made = run(interval=0.5)
    slow = (made.run.time > 1000.0) & (np.arange(made.run.time.size) % 10 != 0)
    assert codes(reduced(with_run(made, faults.without_rows(made.run, slow)))) == []


def test_hot_and_cold_mixed_up_is_said_so(clean):
    columns = {**clean.run.columns, "hot": clean.run.columns["cold"], "cold": clean.run.columns["hot"]}
    found = reduced(with_run(clean, replace(clean.run, columns=columns)))
    assert "temperatures_swapped" in codes(found)
    assert severity(found, "temperatures_swapped") == "blocks"
    assert "apparent_conductivity" not in found.figures
