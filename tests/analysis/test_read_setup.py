"""Setup files: what they give, and how each mistake is named by its key."""

import json
import math
from datetime import timedelta

import pytest

import analysis
from analysis.errors import BadSetup
from analysis.setup_reading import with_channels
from analysis.tables import Heading

FULL = """
[rig]
name = "bench-2"
area = "1000 mm^2"
heat_flow = "electrical"
loss_conductance = { value = "0.08 W/K", u = "0.02 W/K" }
block_conductivity = { value = "390 W/(m*K)", u = "1 %", dof = 9 }
time_zone = "Europe/Vienna"

[gap]
resolution = "0.1 um"
expansion = { value = "0.06 um/K", u = "0.012 um/K" }
zero_max_age = "8 h"
zero_max_drift = "1 um"
zero_reading = "6.3 um"

[zero]
null_temperatures = true

[nominal]
heater_power = "150 W"
force = "250 N"
coolant_temperature = "25 degC"

[tolerance]
heater_power = "1 %"
force = "2 %"
coolant_temperature = "0.5 degC"

[steady]
min_duration = "3 min"
max_slope = "0.06 K/min"
window = ["900 s", "20 min"]

[run]
sample = "S-0311"
application = "A-0525"
kind = "paste"

[[channel]]
column = "hot"
quantity = "hot_temperature"
unit = "degC"
gain = 1.01
offset = -0.2
u = 0.03
depth = "2 mm"

[[channel]]
column = "U1"
quantity = "heater_voltage"
pair = "1"

[[channel]]
column = "I1"
quantity = "heater_current"
pair = "1"
"""


def read(tmp_path, text):
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return analysis.read_setup(path)


def refusal(tmp_path, text):
    with pytest.raises(BadSetup) as caught:
        read(tmp_path, text)
    return caught.value


def test_every_key_arrives_in_si_units(tmp_path):
    setup = read(tmp_path, FULL)
    assert setup.area.value == pytest.approx(1e-3)
    assert (setup.loss_conductance.value, setup.loss_conductance.u) == (0.08, 0.02)
    assert (setup.block_conductivity.u, setup.block_conductivity.dof) == (pytest.approx(3.9), 9.0)
    assert setup.gap_expansion.value == pytest.approx(6e-8)
    assert setup.gap_expansion.dof == math.inf
    assert setup.zero_max_age == timedelta(hours=8)
    assert (setup.zero_max_drift, setup.zero_reading) == (pytest.approx(1e-6), pytest.approx(6.3e-6))
    assert setup.null_temperatures
    assert setup.nominal == {"heater_power": 150.0, "force": 250.0, "coolant_temperature": pytest.approx(298.15)}
    assert setup.tolerance == {"heater_power": 1.5, "force": 5.0, "coolant_temperature": 0.5}
    assert setup.min_duration == 180.0
    assert setup.max_slope == pytest.approx(0.001)
    assert setup.window == (900.0, 1200.0)
    assert (setup.sample, setup.application, setup.kind) == ("S-0311", "A-0525", "paste")
    hot = setup.channels[0]
    assert (hot.gain, hot.offset, hot.u, hot.depth) == (1.01, -0.2, 0.03, 0.002)
    assert [channel.pair for channel in setup.channels] == ["", "1", "1"]


def test_what_is_left_out_has_the_stated_default(tmp_path):
    setup = read(tmp_path, "")
    assert setup.area is None
    assert setup.min_duration == 180.0
    assert setup.max_slope == pytest.approx(0.05 / 60)
    assert setup.heat_flow == "electrical"
    assert setup.loss_conductance.value == 0.0


def test_a_setup_is_read_again_from_what_it_carries(tmp_path):
    setup = read(tmp_path, FULL)
    again = analysis.read_setup(json.loads(json.dumps(dict(setup.source))))
    assert again == setup


def test_json_is_read_like_toml(tmp_path):
    path = tmp_path / "bench.json"
    path.write_text(json.dumps({"rig": {"area": "10 cm^2"}}), encoding="utf-8")
    assert analysis.read_setup(path).area.value == pytest.approx(1e-3)


def test_a_result_carries_its_setup(tmp_path):
    path = tmp_path / "result.json"
    path.write_text(json.dumps({"method": {}, "figures": {}, "setup": {"rig": {"name": "bench-2"}}}), encoding="utf-8")
    assert analysis.read_setup(path).name == "bench-2"


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ('area = "1000 mm^2"', "area = 1000", "[rig] area", 'no unit; write for example "1000 mm^2"'),
        ('area = "1000 mm^2"', 'area = "1000"', "[rig] area", "has no unit"),
        ('area = "1000 mm^2"', 'area = "1000 mm"', "[rig] area", "expected area"),
        ('area = "1000 mm^2"', 'area = "-1 mm^2"', "[rig] area", "above zero"),
        ('area = "1000 mm^2"', 'area = "1000 blub"', "[rig] area", "'blub' is unknown"),
        ('area = "1000 mm^2"', 'area = ["1 mm^2"]', "[rig] area", "found a list"),
        ('area = "1000 mm^2"', 'arae = "1000 mm^2"', "[rig] arae", "did you mean 'area'?"),
        ('"electrical"', '"electric"', "[rig] heat_flow", "did you mean 'electrical'?"),
        ('"390 W/(m*K)"', '"390 W/mK"', "[rig] block_conductivity: value", "did you mean W/(m*K)?"),
        ('value = "0.08 W/K", u', "u", "[rig] loss_conductance: value", "is missing"),
        ('u = "0.02 W/K"', 'u = "-0.02 W/K"', "[rig] loss_conductance: u", "at least 0"),
        ('u = "0.02 W/K"', 'du = "0.02 W/K"', "[rig] loss_conductance: du", "not a known key"),
        ('"Europe/Vienna"', '"Europe/Nowhere"', "[rig] time_zone", "not a time zone"),
        ('"Europe/Vienna"', '"../../etc/passwd"', "[rig] time_zone", "not a time zone"),
        ('value = "0.06 um/K"', 'value = "0.06 um"', "[gap] expansion: value", "expected expansion"),
        ('"8 h"', '"8 m"', "[gap] zero_max_age", "expected time"),
        ('"8 h"', '"1e30 h"', "[gap] zero_max_age", "too long"),
        ("null_temperatures = true", 'null_temperatures = "yes"', "[zero] null_temperatures", "true or false"),
        ('heater_power = "150 W"', "", "[tolerance] heater_power", "[nominal] heater_power is missing"),
        ('"0.5 degC"', '"2 %"', "[tolerance] coolant_temperature", "share of a temperature"),
        ('force = "250 N"', 'forse = "250 N"', "[nominal] forse", "did you mean 'force'?"),
        ('"3 min"', '"0 s"', "[steady] min_duration", "above zero"),
        ('["900 s", "20 min"]', '["900 s", "10 min"]', "[steady] window", "later than the first"),
        ('["900 s", "20 min"]', '"900 s"', "[steady] window", "two times"),
        ("[run]", "[runn]", "[runn]", "did you mean 'run'?"),
        ('column = "hot"\n', "", "channel 1: column", "is missing"),
        ('quantity = "hot_temperature"', "", "channel 1: quantity", "is missing"),
        ('quantity = "hot_temperature"', 'quantity = "hot"', "channel 1: quantity", "'hot' is not known"),
        ('unit = "degC"', 'unit = "W"', "channel 1: unit", "unit of power"),
        ("gain = 1.01", 'gain = "1.01"', "channel 1: gain", "expected a number"),
        ("gain = 1.01", "gain = nan", "channel 1: gain", "expected a number"),
        ("gain = 1.01", "gain = 0", "channel 1: gain", "erase"),
        ("u = 0.03", "u = -0.03", "channel 1: u", "at least 0"),
        ('depth = "2 mm"', "depth = 2", "channel 1: depth", "no unit"),
        ('depth = "2 mm"', 'deep = "2 mm"', "channel 1: deep", "not a known key"),
        ('pair = "1"\n\n', 'pair = "2"\n\n', "channel 2: pair", "exactly one"),
        ('pair = "1"\n\n', 'depth = "1 mm"\n\n', "channel 2: depth", "only"),
        ('column = "U1"', 'column = "hot"', "channel 2: column", "channel 1 already"),
    ],
)
def test_a_mistake_is_named_by_its_key(tmp_path, old, new, key, words):
    assert old in FULL
    error = refusal(tmp_path, FULL.replace(old, new, 1))
    assert error.where.key.strip("[]") == key.strip("[]")
    assert words in error.message
    assert error.where.file == "bench.toml"


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [('[rig]\nname = "x"\narea 5\n', 3, "TOML"), ('{\n"rig": }', 2, "JSON"), ("[rig]\nname = 'x", 2, "TOML")],
)
def test_a_mistake_in_the_syntax_is_named_by_its_line(tmp_path, text, line, words):
    error = refusal(tmp_path, text)
    assert (error.where.file, error.where.line) == ("bench.toml", line)
    assert words in error.message


@pytest.mark.parametrize(
    ("text", "key"),
    [("rig = 5", "rig"), ("channel = 5", "channel"), ("channel = [5]", "channel 1"), ("[channel]\na = 1", "channel")],
)
def test_a_table_that_is_none_is_named(tmp_path, text, key):
    assert refusal(tmp_path, text).where.key == key


def test_a_setup_that_is_not_there_is_named(tmp_path):
    with pytest.raises(BadSetup, match=r"none\.toml: there is no such file"):
        analysis.read_setup(tmp_path / "none.toml")


# without a setup -----------------------------------------------------------------------------------------------------


def channels(*names):
    setup = with_channels(analysis.read_setup({}), [Heading(name) for name in names])
    return {channel.column: channel.quantity for channel in setup.channels}


def test_columns_are_known_by_the_quantity_or_a_plain_name():
    assert channels("Time", "Hot", "cold_temperature", "Gap", "Force", "coolant in", "serial") == {
        "Time": "time",
        "Hot": "hot_temperature",
        "cold_temperature": "cold_temperature",
        "Gap": "gap",
        "Force": "force",
        "coolant in": "coolant_in",
    }


def test_numbered_columns_are_several_channels_of_one_quantity():
    assert channels("time", "heater 1", "heater 2") == {
        "time": "time",
        "heater 1": "heater_power",
        "heater 2": "heater_power",
    }


def test_numbered_voltages_and_currents_pair_up():
    setup = with_channels(
        analysis.read_setup({}),
        [Heading(name) for name in ("time", "voltage 1", "current 1", "voltage 2", "current 2")],
    )
    assert {channel.column: channel.pair for channel in setup.channels if channel.quantity != "time"} == {
        "voltage 1": "1",
        "voltage 2": "2",
        "current 1": "1",
        "current 2": "2",
    }


def test_the_key_of_a_quantity_goes_before_a_plain_name():
    assert channels("time", "hot_temperature", "hot") == {"time": "time", "hot_temperature": "hot_temperature"}


@pytest.mark.parametrize("names", [("time", "t_hot", "hot"), ("t", "timestamp", "hot")])
def test_between_two_plain_names_there_is_no_guess(names):
    with pytest.raises(BadSetup, match="say which in a setup"):
        channels(*names)
