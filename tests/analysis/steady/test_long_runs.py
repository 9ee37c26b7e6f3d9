"""Long recordings: the same figures, and no copy of everything."""

import tracemalloc

import numpy as np
import pytest

import analysis
from analysis.methods.steady import reduce_steady
from analysis.results import Trace
from lims.demo.simulator import Bench, simulate
from tests.analysis.steady.simulated import setup_of, trace_of

ROWS = 1_000_000


@pytest.fixture(scope="module")
def long_run():
    """A million rows at 100 Hz by 14 channels in single precision, and what was put in."""
    rng = np.random.default_rng(0)
    time = np.arange(ROWS) * 0.01
    heated = np.where(time < 9000.0, 1.0 - np.exp(-np.maximum(time - 60.0, 0.0) / 120.0), 0.0)
    power = np.where((time > 60.0) & (time < 9000.0), 25.0, 0.0)
    made = simulate(Bench(), seed=1)
    levels = {"hot": 25.0 + 6.8 * heated, "cold": 25.0 + 4.4 * heated, "coolant in": 25.0, "room": 23.0, "flow": 2.0}
    levels |= {"coolant out": 25.0 + 1.08 * heated, "gap": 56.3, "force": 250.0}
    levels |= {f"heater {n}": power for n in range(1, 7)}
    noise = {"gap": 0.08, "force": 0.4, "flow": 0.003}
    columns = {
        name: (level + noise.get(name, 0.02) * rng.standard_normal(ROWS)).astype(np.float32)
        for name, level in levels.items()
    }
    trace = Trace("long.csv", "long", time, columns, made.run.units, start=made.run.begin)
    return trace, setup_of(made), trace_of(made.zero, "zero.csv")


def test_a_million_rows_give_the_figures_that_were_put_in(long_run):
    trace, setup, zero = long_run
    found = reduce_steady(trace, setup, zero=zero)
    assert found.flags == ()
    assert found.settled.end_s == pytest.approx(8999.99)
    heat = 150.0 - 0.08 * (31.8 - 23.0)
    rise = 2.4 - 2.0 * heat / 1e-3 * 2e-3 / 390.0
    assert found.figures["heat_flow"].value == pytest.approx(heat, abs=0.01)
    assert found.figures["temperature_rise"].value == pytest.approx(rise, abs=0.005)


def test_no_more_than_a_few_channels_are_copied(long_run):
    trace, setup, zero = long_run
    tracemalloc.start()
    reduce_steady(trace, setup, zero=zero)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 2.5 * ROWS * 8  # two and a half columns in double precision, of fourteen


def test_independent_rows_of_a_long_run_are_all_worth_something(long_run):
    trace, setup, zero = long_run
    settled = reduce_steady(trace, setup, zero=zero).settled
    assert settled.effective_rows == pytest.approx(settled.rows, rel=0.15)  # white noise was put in


@pytest.mark.parametrize("plateau", [300.0, 30_000.0])
def test_a_plateau_in_a_recording_of_months_is_found_though_the_whole_is_seen_coarsely(plateau):
    """Of 10,000,000 rows at 1 Hz a plateau of days once was none: seen in blocks longer than the shortest plateau."""
    rows, start = 600_000, 200_000.0
    time = np.arange(float(rows))
    on = (time > start) & (time <= start + plateau)
    noise = 0.005 * np.random.default_rng(1).normal(size=(2, rows))
    columns = {
        "time [s]": time,
        "hot [degC]": np.where(on, 27.0, 25.0) + noise[0],
        "cold [degC]": 25.0 + noise[1],
        "power [W]": np.where(on, 150.0, 0.0),
    }
    channels = [("hot", "hot_temperature"), ("cold", "cold_temperature"), ("power", "heater_power")]
    setup = {
        "rig": {"area": "1000 mm^2"},
        "steady": {"min_duration": "20 s", "max_slope": "0.2 K/min"},
        "channel": [{"column": column, "quantity": quantity, "u": 0.01} for column, quantity in channels],
    }
    found = analysis.reduce(columns, setup=setup)
    assert found.settled.found
    assert found.settled.start_s >= start
    assert found.settled.end_s == pytest.approx(start + plateau, abs=1.0)
    assert found.settled.end_s - found.settled.start_s > 0.6 * plateau
