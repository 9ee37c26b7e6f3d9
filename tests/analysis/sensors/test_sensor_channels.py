"""A resistance or a voltage as a channel of a run: the same figures as from temperatures, with the sensor's own u."""

import math

import numpy as np
import pytest

import analysis
from analysis.channels import calibrate
from analysis.errors import BadSetup, UnitError
from analysis.sensors import SENSORS
from analysis.units import from_si, to_si

ROWS = 600
AMBIENT = 24.0


def kelvin(celsius):
    return to_si(np.asarray(celsius, dtype=float), "degC", "temperature")


def emf(celsius, junction=AMBIENT):
    curve = SENSORS["thermocouple K"]
    return from_si(curve.signal(kelvin(celsius)) - curve.signal(kelvin(junction)), "mV", "voltage")


def readings():
    """Ten kelvin across a layer at 100 W, as temperatures, as ohms and as millivolts, with the same small noise."""
    rng = np.random.default_rng(4)
    hot, cold = 62.0 + 0.01 * rng.normal(size=ROWS), 52.0 + 0.01 * rng.normal(size=ROWS)
    return {
        "time [s]": np.arange(float(ROWS)),
        "power [W]": 100.0 + 0.01 * rng.normal(size=ROWS),
        "hot [degC]": hot,
        "cold [degC]": cold,
        "hot_r [ohm]": SENSORS["Pt100"].signal(kelvin(hot)),
        "cold_r [ohm]": SENSORS["Pt100"].signal(kelvin(cold)),
        "hot_u [mV]": emf(hot),
        "cold_u [mV]": emf(cold),
        "terminal [degC]": np.full(ROWS, AMBIENT),
    }


def setup(hot, cold, *more):
    channels = [{"column": "time", "quantity": "time"}, {"column": "power", "quantity": "heater_power"}]
    sides = [{"quantity": "hot_temperature", **hot}, {"quantity": "cold_temperature", **cold}]
    return {"rig": {"name": "bench", "area": "1000 mm^2"}, "channel": [*channels, *sides, *more]}


PLAIN = setup({"column": "hot"}, {"column": "cold"})
OHMS = setup({"column": "hot_r", "sensor": "Pt100"}, {"column": "cold_r", "sensor": "Pt100"})
COUPLE = {"sensor": "thermocouple K", "cold_junction": "terminal"}
COUPLES = setup({"column": "hot_u", **COUPLE}, {"column": "cold_u", **COUPLE})


def test_ohms_and_millivolts_give_the_figures_of_temperatures():
    plain, ohms, couples = (analysis.reduce(readings(), setup=one) for one in (PLAIN, OHMS, COUPLES))
    for key, figure in plain.figures.items():
        assert ohms.figures[key].value == pytest.approx(figure.value, rel=1e-9)
        assert couples.figures[key].value == pytest.approx(figure.value, rel=1e-9)


def rise(channels):
    return analysis.reduce(readings(), setup=channels).figures["temperature_rise"]


def line(channels, source):
    lines = analysis.reduce(readings(), setup=channels).budget["temperature_rise"]
    return next((one.u for one in lines if one.source == source), 0.0)


def test_the_uncertainty_of_ohms_is_carried_through_the_slope():
    # 0.01 ohm on one side: 0.01 / 0.3835 ohm/K at 62 degC (derivative of the IEC 60751 quadratic).
    made = setup({"column": "hot_r", "sensor": "Pt100", "u": 0.01}, {"column": "cold_r", "sensor": "Pt100"})
    slope = 100 * (3.9083e-3 - 2 * 5.775e-7 * 62.0)
    assert line(made, "hot_temperature calibration") == pytest.approx(0.01 / slope, rel=1e-4)


def test_a_tolerance_class_counts_as_a_rectangular_distribution():
    # IEC 60751 class A at 62 degC: 0.15 + 0.002 * 62 = 0.274 K; divided by the root of 3 (JCGM 100:2008, 4.3.7).
    made = setup(
        {"column": "hot_r", "sensor": "Pt100", "tolerance_class": "A"}, {"column": "cold_r", "sensor": "Pt100"}
    )
    assert line(made, "hot_temperature calibration") == pytest.approx(0.274 / math.sqrt(3.0), rel=1e-3)


def test_the_error_of_a_shared_cold_junction_nearly_cancels_in_the_rise():
    junction = {"column": "terminal", "quantity": "cold_junction", "u": 0.5}
    made = setup({"column": "hot_u", **COUPLE}, {"column": "cold_u", **COUPLE}, junction)
    # By hand: 0.5 K times E'(24) / E'(62) - E'(24) / E'(52), from the curve's slopes.
    slopes = SENSORS["thermocouple K"].sensitivity(kelvin([AMBIENT, 62.0, 52.0]))
    expected = 0.5 * abs(slopes[0] / slopes[1] - slopes[0] / slopes[2])
    assert expected < 0.01
    assert line(made, "cold junction calibration") == pytest.approx(expected, rel=0.02)


def test_the_error_of_the_cold_junction_stays_in_the_temperatures_themselves():
    junction = {"column": "terminal", "quantity": "cold_junction", "u": 0.5}
    made = setup({"column": "hot_u", **COUPLE}, {"column": "cold_u", **COUPLE}, junction)
    assert analysis.reduce(readings(), setup=made).figures["hot_temperature"].u == pytest.approx(0.49, abs=0.02)


def test_a_cold_junction_may_be_a_resistance_itself():
    columns = readings() | {"terminal [ohm]": np.full(ROWS, SENSORS["Pt100"].signal(float(kelvin(AMBIENT))))}
    del columns["terminal [degC]"]
    junction = {"column": "terminal", "quantity": "cold_junction", "sensor": "Pt100"}
    made = setup({"column": "hot_u", **COUPLE}, {"column": "cold_u", **COUPLE}, junction)
    plain, found = analysis.reduce(readings(), setup=PLAIN), analysis.reduce(columns, setup=made)
    assert found.figures["hot_temperature"].value == pytest.approx(plain.figures["hot_temperature"].value, abs=1e-6)


def test_a_gain_and_an_offset_act_on_the_reading():
    columns = readings()
    columns["hot_r [ohm]"] = (columns["hot_r [ohm]"] - 0.2) / 1.01
    made = setup(
        {"column": "hot_r", "sensor": "Pt100", "gain": 1.01, "offset": 0.2}, {"column": "cold_r", "sensor": "Pt100"}
    )
    found = analysis.reduce(columns, setup=made).figures["temperature_rise"]
    assert found.value == pytest.approx(rise(PLAIN).value, rel=1e-9)


def test_a_broken_wire_is_a_missing_reading():
    columns = readings()
    ohms = np.array(columns["hot_r [ohm]"])
    ohms[100:110] = 1e6
    trace = analysis.trace_of(columns | {"hot_r [ohm]": ohms}, setup=analysis.read_setup(OHMS))
    hot = calibrate(trace, setup=analysis.read_setup(OHMS)).of("hot_temperature")[0].values()
    assert np.flatnonzero(np.isnan(hot)).tolist() == list(range(100, 110))


def test_a_missing_cold_junction_makes_the_temperature_missing():
    columns = readings()
    terminal = np.array(columns["terminal [degC]"])
    terminal[7] = np.nan
    trace = analysis.trace_of(columns | {"terminal [degC]": terminal}, setup=analysis.read_setup(COUPLES))
    hot = calibrate(trace, setup=analysis.read_setup(COUPLES)).of("hot_temperature")[0].values()
    assert np.flatnonzero(np.isnan(hot)).tolist() == [7]


def refused(mapping, columns=None):
    with pytest.raises((BadSetup, UnitError)) as caught:
        analysis.reduce(columns or readings(), setup=mapping)
    return caught.value


PT = {"column": "cold_r", "sensor": "Pt100"}


@pytest.mark.parametrize(
    ("hot", "key", "words"),
    [
        ({"column": "hot_u", "sensor": "thermocouple K"}, "channel 3: cold_junction", "needs the column"),
        ({"column": "hot_r", "sensor": "Pt100", "cold_junction": "terminal"}, "channel 3: cold_junction", "only"),
        ({"column": "hot_r", "sensor": "Pt10"}, "channel 3: sensor", "Pt100"),
        ({"column": "hot_r", "sensor": "Pt100", "tolerance_class": "D"}, "channel 3: tolerance_class", "AA, A, B, C"),
        ({"column": "hot", "tolerance_class": "A"}, "channel 3: tolerance_class", "with a sensor"),
        ({"column": "hot_r", "sensor": "Pt100", "unit": "degC"}, "channel 3: unit", "resistance"),
        ({"column": "hot_u", "sensor": "thermocouple K", "cold_junction": "x"}, "channel 3: cold_junction", "terminal"),
    ],
)
def test_a_sensor_that_is_described_wrongly_is_named_by_its_key(hot, key, words):
    error = refused(setup(hot, PT))
    assert error.where.key == key
    assert words in error.message


def test_a_sensor_of_a_force_is_refused():
    force = {"column": "hot", "quantity": "force", "sensor": "Pt100"}
    assert refused(setup({"column": "hot_r", "sensor": "Pt100"}, PT, force)).where.key == "channel 5: sensor"


def test_a_column_in_degrees_cannot_be_read_as_a_resistance():
    assert "resistance" in refused(setup({"column": "hot", "sensor": "Pt100"}, PT)).message


def test_readings_that_all_lie_off_the_curve_are_refused():
    columns = readings()
    columns["hot_u [mV]"] = columns["hot_u [mV]"] * 1000.0
    error = refused(setup({"column": "hot_u", **COUPLE}, {"column": "cold_u", **COUPLE}), columns)
    assert "is its unit right" in error.message
