"""Calibrated channels: gain and offset in the column's unit, then SI; pairs of voltage and current; missing columns."""

import numpy as np
import pytest

import analysis
from analysis.channels import calibrate
from analysis.errors import BadSetup, UnitError

COLUMNS = {
    "time [s]": np.array([0.0, 1.0, 2.0]),
    "hot [degF]": np.array([212.0, 32.0, np.nan]),
    "gap [um]": np.array([50.0, 60.0, 70.0]),
    "U": np.array([10.0, 20.0, 30.0]),
    "I [mA]": np.array([1000.0, 2000.0, 3000.0]),
}


def channels(*rows, columns=COLUMNS, partial=False):
    setup = analysis.read_setup({"channel": list(rows)})
    return calibrate(analysis.trace_of(columns, setup=setup), setup=setup, partial=partial)


def hot(**more):
    return {"column": "hot", "quantity": "hot_temperature"} | more


VOLTAGE = {"column": "U", "quantity": "heater_voltage", "unit": "V", "pair": "1", "u": 0.1}
CURRENT = {"column": "I", "quantity": "heater_current", "pair": "1", "u": 20.0}


def test_the_headers_unit_is_used_and_missing_values_stay_missing():
    (reading,) = channels(hot()).of("hot_temperature")
    np.testing.assert_allclose(reading.values(), [373.15, 273.15, np.nan])


def test_the_setups_unit_goes_before_the_headers():
    (reading,) = channels(hot(unit="degC")).of("hot_temperature")
    np.testing.assert_allclose(reading.values(slice(0, 1)), [485.15])


def test_gain_and_offset_act_in_the_columns_unit():
    (reading,) = channels(hot(gain=2.0, offset=-180.0)).of("hot_temperature")
    np.testing.assert_allclose(reading.values(slice(0, 2)), [(244.0 - 32) / 1.8 + 273.15, (-116.0 - 32) / 1.8 + 273.15])


def test_an_uncertainty_is_a_difference_in_the_columns_unit():
    (reading,) = channels(hot(u=1.8, depth="2 mm")).of("hot_temperature")
    assert reading.u == pytest.approx(1.0)
    assert reading.depth == pytest.approx(0.002)


def test_a_voltage_and_a_current_of_one_pair_make_one_power():
    made = channels(VOLTAGE, CURRENT)
    (power,) = made.of("heater_power")
    np.testing.assert_allclose(power.values(), [10.0, 40.0, 90.0])
    np.testing.assert_allclose(power.values(slice(1, 2)), [40.0])
    # u(P)^2 = (I u(U))^2 + (U u(I))^2 at the mean voltage of 20 V and current of 2 A (JCGM 100:2008, 5.1.2)
    assert power.uncertainty() == pytest.approx(np.hypot(2.0 * 0.1, 20.0 * 0.02))
    assert not made.has("heater_voltage")


def test_values_cannot_be_written_to():
    (reading,) = channels({"column": "gap", "quantity": "gap", "unit": "m"}).of("gap")
    with pytest.raises(ValueError, match="read-only"):
        reading.values()[0] = 0.0


def test_depths_are_told_nearest_first():
    columns = {"time [s]": np.zeros(1), "a [K]": np.zeros(1), "b [K]": np.zeros(1)}
    made = channels(
        {"column": "a", "quantity": "hot_temperature", "depth": "8 mm"},
        {"column": "b", "quantity": "hot_temperature", "depth": "2 mm"},
        columns=columns,
    )
    assert made.depths("hot_temperature") == (pytest.approx(0.002), pytest.approx(0.008))


def test_a_column_that_is_not_there_is_named_by_its_key():
    with pytest.raises(BadSetup) as caught:
        channels(hot(), {"column": "cold", "quantity": "cold_temperature"})
    assert caught.value.where.key == "channel 2: column"
    assert caught.value.message == "'cold' is not a column of arrays; it has: hot, gap, U, I"


def test_a_zero_run_may_lack_columns_and_halves_of_pairs():
    columns = {key: COLUMNS[key] for key in ("time [s]", "gap [um]", "U")}
    made = channels(hot(), {"column": "gap", "quantity": "gap"}, VOLTAGE, CURRENT, columns=columns, partial=True)
    assert [reading.quantity for reading in made.readings] == ["gap"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"column": "U", "quantity": "gap"}, "no unit is given"),
        ({"column": "hot", "quantity": "gap"}, "unit of temperature"),
    ],
)
def test_a_headers_unit_that_does_not_fit_is_named_by_its_column(row, words):
    with pytest.raises(UnitError, match=words) as caught:
        channels(row)
    assert caught.value.where.column == row["column"]
