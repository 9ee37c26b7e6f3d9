"""Coolants: water, and mixtures with a glycol by CoolProp's incompressible fluids."""

import math

import pytest
from CoolProp.CoolProp import PropsSI

from analysis.errors import BadSetup, OutOfRange
from analysis.methods.steady import reduce_steady
from analysis.steady.coolant import GLYCOLS, coolant_of
from tests.analysis.steady.by_hand import setup, trace

ICE = 273.15
MIXTURE = "ethylene glycol 30 %"

VALUES = {
    "power [W]": 100.0,
    "hot [degC]": 60.0,
    "cold [degC]": 50.0,
    "in [degC]": 24.0,
    "out [degC]": 26.0,
    "flow [L/min]": 0.75,
}
CHANNELS = {
    "power": ("heater_power", {}),
    "hot": ("hot_temperature", {}),
    "cold": ("cold_temperature", {}),
    "in": ("coolant_in", {}),
    "out": ("coolant_out", {}),
    "flow": ("coolant_flow", {}),
}


def reduced(coolant=None, values=VALUES, **rig):
    made = setup({"heat_flow": "coolant", **({"coolant": coolant} if coolant else {}), **rig}, CHANNELS)
    return reduce_steady(trace(values), made)


def test_a_mixture_at_25_degc_has_the_density_and_heat_capacity_of_the_table():
    # CoolProp 8.0.0, INCOMP::MEG[0.3] (Melinder 2010): 1035.9 kg/m3, 3732.8 J/(kg K).
    liquid = coolant_of(MIXTURE)
    assert liquid.density(25.0 + ICE)[0] == pytest.approx(1035.9, abs=0.05)
    assert liquid.enthalpy(25.0 + ICE)[1] == pytest.approx(3732.8, abs=0.05)


def test_a_mixture_of_nothing_is_nearly_water():
    # Melinder's table at a share of 0 against IAPWS-95: within 0.1 % in both.
    water, none = coolant_of("water"), coolant_of("ethylene glycol 0 %")
    for t in (10.0, 25.0, 60.0):
        assert none.density(t + ICE)[0] == pytest.approx(water.density(t + ICE)[0], rel=1e-3)
        assert none.enthalpy(t + ICE)[1] == pytest.approx(water.enthalpy(t + ICE)[1], rel=1e-3)


def test_the_heat_is_density_times_flow_times_enthalpy_rise():
    found = reduced(MIXTURE).figures["heat_flow"].value
    fluid = "INCOMP::MEG[0.3]"
    rise = PropsSI("H", "T", 26 + ICE, "P", 101325, fluid) - PropsSI("H", "T", 24 + ICE, "P", 101325, fluid)
    density = PropsSI("D", "T", 24 + ICE, "P", 101325, fluid)
    assert found == pytest.approx(density * 0.75e-3 / 60 * rise, rel=1e-9)


def test_taking_a_mixture_for_water_overstates_the_heat_by_eight_per_cent():
    # By hand at 25 degC: (997.05 * 4181.3) / (1035.9 * 3732.8) - 1 = 7.8 %.
    assert reduced().figures["heat_flow"].value / reduced(MIXTURE).figures["heat_flow"].value == pytest.approx(
        1.078, abs=0.001
    )


def test_water_is_the_coolant_where_none_is_named():
    assert reduced().figures["heat_flow"].value == reduced("water").figures["heat_flow"].value


def lines(found):
    return {line.source: line.u for line in found.budget["heat_flow"]}


def test_what_is_not_known_of_a_mixture_stands_in_the_budget():
    found = reduced(MIXTURE, coolant_share_u="2 %")
    heat = found.figures["heat_flow"].value
    by_source = lines(found)
    assert by_source["coolant density, table"] == pytest.approx(0.006 * heat)
    assert by_source["coolant heat capacity, table"] == pytest.approx(0.012 * heat)
    # Two per cent more glycol: the change of density times heat capacity between 28 % and 32 % at 25 degC, halved.
    low, high = (
        PropsSI("D", "T", 297.15, "P", 101325, f"INCOMP::MEG[{x}]")
        * PropsSI("C", "T", 298.15, "P", 101325, f"INCOMP::MEG[{x}]")
        for x in (0.28, 0.32)
    )
    assert by_source["coolant share of glycol"] == pytest.approx(abs(high - low) / (high + low) * heat, rel=0.01)


def test_water_adds_nothing_to_the_budget():
    assert not any(source.startswith("coolant density") for source in lines(reduced("water")))


def test_the_stated_uncertainty_covers_what_two_tables_differ_by():
    # CoolProp: MEG (Melinder) against AEG (ASHRAE): within three combined standard uncertainties everywhere looked at.
    glycol = GLYCOLS["ethylene glycol"]
    for share in (0.2, 0.3, 0.4):
        for t in (10.0, 25.0, 40.0, 60.0):
            for what, u in (("D", glycol.u_density), ("C", glycol.u_heat_capacity)):
                one, other = (PropsSI(what, "T", t + ICE, "P", 101325, f"INCOMP::{k}[{share}]") for k in ("MEG", "AEG"))
                assert abs(one / other - 1.0) < 3.0 * math.sqrt(2.0) * u


@pytest.mark.parametrize("name", list(GLYCOLS))
def test_the_range_of_shares_is_that_of_the_library(name):
    glycol = GLYCOLS[name]
    assert glycol.lowest == PropsSI("fraction_min", f"INCOMP::{glycol.key}[0.3]")
    assert glycol.highest == pytest.approx(PropsSI("fraction_max", f"INCOMP::{glycol.key}[0.3]"))


@pytest.mark.parametrize("t", [-15.0, 100.5])
def test_a_mixture_outside_its_table_raises(t):
    # INCOMP::MEG[0.3] freezes at -14.6 degC and ends at 100 degC.
    with pytest.raises(OutOfRange, match=r"is tabled from -14\.6 to 100\.0 degC"):
        coolant_of(MIXTURE).density(t + ICE)


def test_the_ends_of_the_table_themselves_are_inside():
    liquid = coolant_of(MIXTURE)
    for end in liquid.range:
        assert liquid.density(end)[1] < 0.0


def test_a_run_outside_the_table_raises():
    with pytest.raises(OutOfRange, match="tabled"):
        reduced(MIXTURE, VALUES | {"in [degC]": -20.0, "out [degC]": -18.0})


@pytest.mark.parametrize(
    ("coolant", "words"),
    [
        ("oil", "not a known coolant"),
        ("ethylene glycol", "not a known coolant"),
        ("ethylene glycol 70 %", "tabled from 0 % to 60 %"),
        ("glycol 30 %", "ethylene glycol 30 %"),
        ("", "not a known coolant"),
    ],
)
def test_an_unknown_coolant_is_named_by_its_key(coolant, words):
    with pytest.raises(BadSetup, match=words) as caught:
        setup({"coolant": coolant}, CHANNELS)
    assert caught.value.where.key == "[rig] coolant"


def test_a_mixture_is_written_in_any_case():
    assert coolant_of("Propylene Glycol 25.5 %").share == pytest.approx(0.255)
