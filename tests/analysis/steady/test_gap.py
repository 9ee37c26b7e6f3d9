"""The gap: zero, drift in time, expansion of the blocks; against cases worked out by hand."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analysis.errors import BadSetup
from analysis.methods.steady import reduce_steady
from lims.demo.simulator import Bench, Plan, faults, simulate
from tests.analysis.steady.by_hand import setup, trace
from tests.analysis.steady.simulated import errors, reduced, setup_of, with_run

CHANNELS = {
    "power": ("heater_power", {}),
    "hot": ("hot_temperature", {}),
    "cold": ("cold_temperature", {}),
    "gap": ("gap", {"u": 0.3}),
}
NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)


def run(gap=56.3, *, hot=60.0, cold=50.0, start=None):
    return trace({"power [W]": 150.0, "hot [degC]": hot, "cold [degC]": cold, "gap [um]": gap}, start=start)


def zero(gap=6.3, *, at=25.0, start=None, name="zero.csv"):
    columns = {"power [W]": 0.0, "hot [degC]": at, "cold [degC]": at, "gap [um]": gap}
    return trace(columns, rows=120, start=start, name=name)


def test_a_gap_is_the_reading_less_the_zero():
    found = reduce_steady(run(), setup({}, CHANNELS), zero=zero()).figures["gap"]
    assert found.value == pytest.approx(50e-6, rel=1e-9)
    assert found.u == pytest.approx(0.3e-6, rel=1e-9)  # of a displacement: it counts once


def test_the_resolution_counts_once_for_the_run_and_once_for_the_zero():
    found = reduce_steady(run(), setup({}, CHANNELS, gap={"resolution": "0.6 um"}), zero=zero()).figures["gap"]
    assert found.u == pytest.approx(np.sqrt(0.3**2 + 2.0 * 0.6**2 / 12.0) * 1e-6, rel=1e-9)


def test_warm_blocks_read_too_much():
    # 40 mm of aluminium by 25 K grow by 23.1 um (23.1e-6 /K, CRC Handbook): more than a bond line of 20 um.
    rig = setup({}, CHANNELS, gap={"expansion": "0.924 um/K"})
    found = reduce_steady(run(20.0 + 23.1 + 6.3, hot=55.0, cold=45.0), rig, zero=zero(at=25.0))
    assert found.figures["gap"].value == pytest.approx(20e-6, rel=1e-9)


def test_the_expansion_counts_from_the_zeros_own_temperature():
    rig = setup({}, CHANNELS, gap={"expansion": {"value": "0.06 um/K", "u": "0.012 um/K"}})
    found = reduce_steady(run(), rig, zero=zero(at=35.0)).figures["gap"]
    assert found.value == pytest.approx(50e-6 - 0.06e-6 * 20.0, rel=1e-9)
    assert found.u == pytest.approx(np.hypot(0.3e-6, 0.012e-6 * 20.0), rel=1e-9)


def test_drift_is_shared_out_in_time():
    # Zero at 8:00 + 119 s, zero-after at 12:00 + 119 s; the middle of the run at 9:00 + 299.5 s is 1.0501 h after.
    after = zero(7.3, start=NINE + timedelta(hours=3), name="after.csv")
    before = zero(6.3, start=NINE - timedelta(hours=1))
    found = reduce_steady(run(start=NINE), setup({}, CHANNELS), zero=before, zero_after=after).figures["gap"]
    share = (3600.0 - 119.0 + 299.5) / (4.0 * 3600.0)
    assert found.value == pytest.approx((56.3 - 6.3 - share * 1.0) * 1e-6, rel=1e-9)
    assert 0.3e-6 < found.u < np.hypot(0.3e-6, 1e-6 / np.sqrt(12.0))


def test_half_of_the_drift_is_taken_where_no_file_tells_the_time():
    rig = setup({}, CHANNELS)
    found = reduce_steady(run(), rig, zero=zero(6.3), zero_after=zero(7.3, name="after.csv"))
    assert found.figures["gap"].value == pytest.approx(49.5e-6, rel=1e-9)
    assert found.figures["gap"].u == pytest.approx(np.hypot(0.3e-6, 1e-6 / np.sqrt(12.0)), rel=1e-9)
    assert "half" in found.notes["zero drift"]


def test_a_warmer_zero_after_is_no_drift():
    rig = setup({}, CHANNELS, gap={"expansion": "0.1 um/K", "zero_max_drift": "0.2 um"})
    found = reduce_steady(run(), rig, zero=zero(6.3, at=25.0), zero_after=zero(7.3, at=35.0, name="after.csv"))
    assert [flag.code for flag in found.flags] == []
    assert found.figures["gap"].value == pytest.approx((56.3 - 6.3 - 0.1 * 30.0) * 1e-6, rel=1e-9)


def test_a_stated_zero_whose_temperature_is_unknown_covers_both_ends():
    # Whether the zero was taken cold (25 degC, the coolant's) or warm as in the run (55 degC), the interval holds it.
    channels = CHANNELS | {"in": ("coolant_in", {})}
    rig = setup({}, channels, gap={"expansion": "0.06 um/K", "zero_reading": "6.3 um"})
    columns = {"power [W]": 150.0, "hot [degC]": 60.0, "cold [degC]": 50.0, "gap [um]": 56.3, "in [degC]": 25.0}
    found = reduce_steady(trace(columns), rig)
    gap = found.figures["gap"]
    for truth in (50e-6, 50e-6 - 0.06e-6 * 30.0):
        assert abs(gap.value - truth) < gap.expanded
    assert "standard uncertainty of 8.7 K" in found.notes["zero temperature"]


def test_a_zero_run_may_start_with_an_open_gap():
    made = simulate(Bench(), seed=5)
    assert made.zero.columns["gap"][0] > 150.0  # the simulator's zero runs start open
    assert reduced(made).figures["gap"].value == pytest.approx(50e-6, abs=1.2e-6)


def test_a_zero_run_may_end_with_the_press_lifted():
    made = simulate(Bench(), seed=5)
    lifted = made.zero.time >= 150.0
    off = faults.changed(made.zero, "force", lambda force: np.where(lifted, 0.0, force))
    opened = faults.changed(off, "gap", lambda gap: np.where(lifted, 250.0, gap))
    again = reduced(replace(made, zero=opened)).figures["gap"].value
    assert again == pytest.approx(reduced(made).figures["gap"].value, abs=0.05e-6)


def test_a_zero_run_may_have_fewer_channels():
    only_gap = trace({"gap [um]": 6.3}, rows=120, name="zero.csv")
    found = reduce_steady(run(), setup({}, CHANNELS), zero=only_gap).figures["gap"]
    assert found.value == pytest.approx(50e-6, rel=1e-9)


def test_a_zero_run_without_a_gap_is_an_error_that_says_so():
    without = trace({"hot [degC]": 25.0, "cold [degC]": 25.0}, rows=120, name="zero.csv")
    with pytest.raises(BadSetup, match="gap"):
        reduce_steady(run(), setup({}, CHANNELS), zero=without)


def test_two_gap_sensors_average():
    channels = {name: entry for name, entry in CHANNELS.items() if name != "gap"}
    channels |= {"left": ("gap", {"u": 0.3}), "right": ("gap", {"u": 0.3})}
    columns = {"power [W]": 150.0, "hot [degC]": 60.0, "cold [degC]": 50.0, "left [um]": 55.3, "right [um]": 57.3}
    closed = {"power [W]": 0.0, "hot [degC]": 25.0, "cold [degC]": 25.0, "left [um]": 6.0, "right [um]": 6.6}
    found = reduce_steady(trace(columns), setup({}, channels), zero=trace(closed, rows=120, name="zero.csv"))
    assert found.figures["gap"].value == pytest.approx(50e-6, rel=1e-9)
    assert found.figures["gap"].u == pytest.approx(0.3e-6 / np.sqrt(2.0), rel=1e-9)


def test_an_isothermal_zero_takes_the_sensors_difference_out():
    rig = setup({}, CHANNELS, zero={"null_temperatures": True})
    closed = {"power [W]": 0.0, "hot [degC]": 25.2, "cold [degC]": 24.9, "gap [um]": 6.3}
    found = reduce_steady(run(), rig, zero=trace(closed, rows=120, name="zero.csv"))
    assert found.figures["temperature_rise"].value == pytest.approx(10.0 - 0.3, rel=1e-9)
    assert "0.3000 K" in found.notes["null_temperatures"]


def test_what_the_zero_takes_out_no_longer_counts_in_the_rise():
    plan = Plan(extra={"zero": {"null_temperatures": True}})
    plain = reduced(simulate(Bench(u_temperature=0.3), seed=6)).figures["temperature_rise"].u
    held = []
    for seed in range(24):
        made = simulate(Bench(u_temperature=0.3), plan=plan, seed=seed)
        found = reduced(made).figures["temperature_rise"]
        assert found.u < 0.1 * plain
        held.append(abs(errors(made, reduced(made))["temperature_rise"]) <= 1.0)
    assert np.mean(held) > 0.8  # of 24 intervals of 95 %, 20 or more hold with a probability of 99.8 %


def test_nulling_needs_a_zero_run():
    with pytest.raises(BadSetup, match="null_temperatures"):
        reduce_steady(run(), setup({}, CHANNELS, zero={"null_temperatures": True}))


def test_without_a_gap_channel_there_is_no_gap_and_no_word_of_a_zero():
    made = simulate(Bench(), seed=7)
    kept = tuple(channel for channel in setup_of(made).channels if channel.quantity not in ("gap", "force"))
    bare = with_run(made, faults.without_columns(made.run, "gap", "force"))
    found = reduced(bare, setup=setup_of(made, channels=kept), zero=False)
    assert [flag.code for flag in found.flags] == []
    assert not {"gap", "apparent_conductivity", "pressure"} & set(found.figures)
    assert found.press is None
