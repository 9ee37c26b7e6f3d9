"""What must not change the figures, and what must change them in a known way."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import analysis
from lims.demo.simulator import ICE, Bench, Layer, Plan, simulate
from lims.demo.simulator.run_files import Dialect, as_csv
from tests.analysis.steady.simulated import any_rig, reduced, setup_of, trace_of

SHORT = Plan(steps=((30.0, 150.0), (560.0, 0.0)), seconds=600.0, pressed_at=5.0)
QUICK = Bench(hot_capacity=60.0, cold_capacity=60.0, min_duration=120.0)
few = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def made():
    return simulate(QUICK, plan=SHORT, seed=21)


@pytest.fixture(scope="module")
def plain(made):
    return reduced(made)


def same(found, expected, *, rel=1e-9):
    assert found.figures.keys() == expected.figures.keys()
    for name, figure in expected.figures.items():
        assert found.figures[name].value == pytest.approx(figure.value, rel=rel), name
        assert found.figures[name].u == pytest.approx(figure.u, rel=rel), name
        assert found.figures[name].dof == pytest.approx(figure.dof, rel=1e-6), name
    assert [flag.code for flag in found.flags] == [flag.code for flag in expected.flags]


UNITS = {
    "W": [("mW", 1e3, 0.0), ("kW", 1e-3, 0.0)],
    "degC": [("K", 1.0, ICE), ("degF", 1.8, 32.0)],
    "L/min": [("m^3/h", 0.06, 0.0), ("mL/min", 1e3, 0.0)],
    "um": [("mm", 1e-3, 0.0), ("nm", 1e3, 0.0)],
    "N": [("kN", 1e-3, 0.0), ("kgf", 1.0 / 9.80665, 0.0)],
}


@few
@given(st.data())
def test_other_units_give_the_same_figures(made, plain, data):
    columns, units, factors = {}, {}, {}
    for name, values in made.run.columns.items():
        unit, factor, shift = data.draw(
            st.sampled_from([(made.run.units[name], 1.0, 0.0), *UNITS[made.run.units[name]]])
        )
        columns[name], units[name], factors[name] = values * factor + shift, unit, factor
    run = replace(made.run, columns=columns, units=units)
    channels = [entry | {"u": entry["u"] * factors[entry["column"]]} for entry in made.setup["channel"]]
    zero = replace(
        made.zero,
        columns={
            n: v * factors[n] + (columns[n] - made.run.columns[n] * factors[n])[0] for n, v in made.zero.columns.items()
        },
        units=units,
    )
    same(reduced(replace(made, run=run, zero=zero, setup={**made.setup, "channel": channels})), plain, rel=1e-7)


@few
@given(st.permutations(range(600)), st.floats(0.0, 1e6))
def test_shuffled_rows_and_a_later_start_give_the_same_figures(made, plain, order, shift):
    order = list(order)
    table = {"time [s]": made.run.time[order] + shift}
    table |= {f"{name} [{made.run.units[name]}]": values[order] for name, values in made.run.columns.items()}
    trace = analysis.trace_of(table, setup=setup_of(made))
    found = reduced_trace(trace, made)
    assert "clock_irregular" in [flag.code for flag in found.flags] or order == sorted(order)
    same(replace(found, flags=()), replace(plain, flags=()), rel=1e-7)


def reduced_trace(trace, made):
    return analysis.reduce(trace, setup=setup_of(made), zero=trace_of(made.zero, "zero.csv"))


@few
@given(st.permutations(["a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k", "l", "m", "n"]))
def test_renamed_and_reordered_columns_give_the_same_figures(made, plain, names):
    new = dict(zip(made.run.columns, names, strict=True))

    def renamed(recording):
        columns = {new[name]: recording.columns[name] for name in sorted(recording.columns, key=new.get)}
        return replace(recording, columns=columns, units={new[n]: u for n, u in recording.units.items()})

    channels = sorted(made.setup["channel"], key=lambda entry: new[entry["column"]])
    channels = [entry | {"column": new[entry["column"]]} for entry in channels]
    other = replace(made, run=renamed(made.run), zero=renamed(made.zero), setup={**made.setup, "channel": channels})
    same(reduced(other), plain)


@few
@given(gain=st.floats(0.5, 2.0), offset=st.floats(-20.0, 20.0))
def test_a_gain_and_an_offset_undo_what_they_undo(made, plain, gain, offset):
    column = {"hot": (made.run.columns["hot"] - offset) / gain}
    run = replace(made.run, columns=made.run.columns | column)
    zero = replace(made.zero, columns=made.zero.columns | {"hot": (made.zero.columns["hot"] - offset) / gain})
    channels = [
        entry | {"gain": gain, "offset": offset} if entry["column"] == "hot" else entry
        for entry in made.setup["channel"]
    ]
    same(reduced(replace(made, run=run, zero=zero, setup={**made.setup, "channel": channels})), plain, rel=1e-7)


DIALECTS = [
    Dialect(separator=";", decimal=",", encoding="cp1252", line_end="\r\n", signs={"degC": "°C", "um": "µm"}),
    Dialect(separator="\t", bom=True, notes={"operator": "R", "remark": "none"}, blank_lines=2),
    Dialect(stamps=True, missing="NA"),
    Dialect(stamps=True, offset=False, time_name="stamp"),
]


@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_of_a_file_gives_the_same_figures(tmp_path, made, plain, dialect):
    dialect = replace(dialect, digits=9)
    (tmp_path / "run.csv").write_bytes(as_csv(made.run, dialect))
    (tmp_path / "zero.csv").write_bytes(as_csv(made.zero, dialect))
    setup = {**made.setup, "channel": [*made.setup["channel"], {"column": dialect.time_name, "quantity": "time"}]}
    found = analysis.reduce(tmp_path / "run.csv", setup=setup, zero=tmp_path / "zero.csv")
    same(found, plain, rel=1e-5)


# --- known changes -------------------------------------------------------------------------------------------------

IDEAL = {
    "u_temperature": 0.0,
    "u_power": 0.0,
    "u_loss": 0.0,
    "loss": 0.0,
    "u_block_conductivity": 0.0,
    "u_expansion": 0.0,
    "u_gap": 0.0,
    "noise": {"temperature": 1e-5, "power": 1e-5, "flow": 1e-12, "gap": 1e-10, "force": 1e-3},
    "resolution": 1e-10,
}
THICK = Layer(conductivity=2.0, contact=4e-6, gap_end=100e-6)


def ideal(layer=THICK, power=150.0, **bench):
    plan = Plan(steps=((60.0, power), (1700.0, 0.0)), nominal_power=power)
    return reduced(simulate(Bench(**(IDEAL | bench)), layer, plan, seed=2)).figures


def test_twice_the_power_is_twice_the_rise_and_the_same_impedance():
    one, two = ideal(power=100.0), ideal(power=200.0)
    assert two["temperature_rise"].value == pytest.approx(2.0 * one["temperature_rise"].value, rel=2e-4)
    assert two["thermal_impedance"].value == pytest.approx(one["thermal_impedance"].value, rel=2e-4)


def test_half_the_layer_is_half_the_bulk_term_and_the_same_contact():
    contact = 4e-6
    whole, half = ideal(), ideal(replace(THICK, gap_end=50e-6))
    bulk = whole["thermal_impedance"].value - contact
    assert half["thermal_impedance"].value - contact == pytest.approx(0.5 * bulk, rel=2e-3)
    assert half["gap"].value == pytest.approx(0.5 * whole["gap"].value, rel=2e-3)


def test_twice_the_conductivity_is_half_the_bulk_term():
    contact = 4e-6
    one, two = ideal(), ideal(replace(THICK, conductivity=4.0))
    assert two["thermal_impedance"].value - contact == pytest.approx(
        0.5 * (one["thermal_impedance"].value - contact), rel=2e-3
    )


def test_a_single_specimen_reads_less_than_the_bulk_conductivity():
    # k_app = t / (t/k + R_c) < k: 100 um of 2 W/(m K) with 4 mm2 K/W of contact: 1.852 W/(m K).
    assert ideal()["apparent_conductivity"].value == pytest.approx(100.0 / (100.0 / 2.0 + 4.0), rel=2e-3)


def test_gap_over_impedance_is_a_conductivity_without_any_factor():
    figures = ideal()
    in_um, in_mm2 = figures["gap"].value * 1e6, figures["thermal_impedance"].value * 1e6
    assert figures["apparent_conductivity"].value == pytest.approx(in_um / in_mm2, rel=1e-12)


@few
@given(st.integers(0, 400))
def test_what_is_computed_hangs_together(number):
    bench, layer, plan = any_rig(number)
    found = reduced(simulate(bench, layer, replace(plan, interval=max(plan.interval, 1.0)), seed=number))
    figures = {name: figure.value for name, figure in found.figures.items()}
    assert figures["temperature_rise"] == pytest.approx(figures["hot_temperature"] - figures["cold_temperature"])
    assert figures["heat_flux"] == pytest.approx(figures["heat_flow"] / bench.area)
    assert figures["thermal_impedance"] == pytest.approx(figures["temperature_rise"] / figures["heat_flux"])
    for name, lines in found.budget.items():
        assert sum(line.share for line in lines) == pytest.approx(1.0)
        assert np.sqrt(sum(line.u**2 for line in lines)) == pytest.approx(found.figures[name].u)
        assert all(0.0 <= line.share <= 1.0 and line.u > 0.0 for line in lines)
    for figure in found.figures.values():
        assert figure.u > 0.0
        assert figure.dof >= 1.0
        assert figure.expanded >= 1.95 * figure.u
