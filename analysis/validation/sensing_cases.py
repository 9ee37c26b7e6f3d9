"""Sensing: water, platinum thermometers and thermocouples against the tables of their standards."""

from __future__ import annotations

from collections.abc import Iterator

from analysis import sensors
from analysis.steady import coolant, water
from analysis.units import from_si, to_si
from analysis.validation.case import Case, Check

# IAPWS-95 at 101.325 kPa: degC, kg/m3, J/(kg K)
_WATER = (
    (5.0, 999.9666, 4205.04),
    (10.0, 999.7025, 4195.16),
    (15.0, 999.1026, 4188.46),
    (20.0, 998.2072, 4184.05),
    (25.0, 997.0476, 4181.31),
    (30.0, 995.6495, 4179.82),
    (37.5, 993.1490, 4179.26),
    (40.0, 992.2164, 4179.41),
    (50.0, 988.0350, 4181.34),
    (60.0, 983.1958, 4184.95),
    (72.5, 976.3204, 4191.59),
    (95.0, 961.8879, 4210.17),
)
# degC, ohm
_PT100 = (
    (-200.0, 18.52),
    (-100.0, 60.26),
    (0.0, 100.0),
    (25.0, 109.73),
    (50.0, 119.40),
    (100.0, 138.51),
    (200.0, 175.86),
    (400.0, 247.09),
    (850.0, 390.48),
)
# degC, mV with the junction at 0 degC
_EMF = (
    ("K", 100.0, 4.096),
    ("K", 500.0, 20.644),
    ("K", 1000.0, 41.276),
    ("T", 100.0, 4.279),
    ("T", 200.0, 9.288),
    ("K", -100.0, -3.554),
    ("T", -100.0, -3.379),
    ("E", 100.0, 6.319),
    ("J", 100.0, 5.269),
    ("N", 100.0, 2.774),
)


def _kelvin(celsius: float) -> float:
    return float(to_si(celsius, "degC", "temperature"))


def _celsius(kelvin: float) -> float:
    return float(from_si(kelvin, "degC", "temperature"))


def _water() -> Iterator[Check]:
    for celsius, density, capacity in _WATER:
        yield Check(f"density at {celsius:g} degC", density, water.density(_kelvin(celsius))[0], 1e-4, "kg/m^3")
        found = water.enthalpy(_kelvin(celsius))[1]
        yield Check(f"heat capacity at {celsius:g} degC", capacity, found, 0.03, "J/(kg*K)")
    rise = water.enthalpy(_kelvin(30.0))[0] - water.enthalpy(_kelvin(20.0))[0]
    yield Check("enthalpy from 20 to 30 degC", 41_815.21, rise, 0.02, "J/kg")


# CoolProp 8.0.0, INCOMP::MEG[0.3] (Melinder 2010) at 25 degC: kg/m3, J/(kg K)
_GLYCOL = (1035.9, 3732.8)
_MIXED = 1e-3  # relative: two tables of water
# Handbook values of aqueous ethylene glycol at 20 degC (from memory, three to four digits): %, kg/m3, J/(kg K)
_HANDBOOK = ((20.0, 1024.0, 3870.0), (30.0, 1038.0, 3700.0), (40.0, 1052.0, 3500.0), (50.0, 1065.0, 3300.0))


def _glycols() -> Iterator[Check]:
    liquid = coolant.coolant_of("ethylene glycol 30 %")
    yield Check("density with 30 % at 25 degC", _GLYCOL[0], liquid.density(_kelvin(25.0))[0], 0.05, "kg/m^3")
    yield Check("heat capacity with 30 % at 25 degC", _GLYCOL[1], liquid.enthalpy(_kelvin(25.0))[1], 0.05, "J/(kg*K)")
    for percent, density, capacity in _HANDBOOK:
        liquid = coolant.coolant_of(f"ethylene glycol {percent:g} %")
        found = liquid.density(_kelvin(20.0))[0], liquid.enthalpy(_kelvin(20.0))[1]
        slack = 2.0 * liquid.u_density * density, 2.0 * liquid.u_heat_capacity * capacity
        yield Check(f"density with {percent:g} %, handbook", density, found[0], slack[0], "kg/m^3")
        yield Check(f"heat capacity with {percent:g} %, handbook", capacity, found[1], slack[1], "J/(kg*K)")
    plain, none = coolant.coolant_of("water"), coolant.coolant_of("propylene glycol 0 %")
    same = plain.density(_kelvin(25.0))[0]
    yield Check("a mixture without glycol is water", same, none.density(_kelvin(25.0))[0], _MIXED * same, "kg/m^3")
    for percent, freezes in ((30, -14.0), (50, -36.0)):
        mixture = coolant.Mixture("ethylene glycol", percent / 100.0)
        yield Check(f"freezing point with {percent} %, handbook", freezes, _celsius(mixture.range[0]), 2.0, "degC")


def _platinum() -> Iterator[Check]:
    curve = sensors.SENSORS["Pt100"]
    for celsius, ohm in _PT100:
        yield Check(f"resistance at {celsius:g} degC", ohm, float(curve.signal(_kelvin(celsius))), 5.1e-3, "ohm")
    yield Check("temperature at 138.5055 ohm", 100.0, _celsius(float(curve.temperature(138.5055))), 1e-3, "degC")


def _thermocouples() -> Iterator[Check]:
    for letter, celsius, millivolt in _EMF:
        curve = sensors.SENSORS[f"thermocouple {letter}"]
        found = float(from_si(float(curve.signal(_kelvin(celsius))), "mV", "voltage"))
        yield Check(f"type {letter} at {celsius:g} degC", millivolt, found, 5.1e-4, "mV")


def _cold_junction() -> Iterator[Check]:
    """Adding the junction's temperature to that of the emf alone would give 98.582 degC."""
    emf = float(to_si(3.0, "mV", "voltage"))
    found = sensors.thermocouple_temperature(sensors.SENSORS["thermocouple K"], emf=emf, junction=_kelvin(25.0))
    yield Check("type K, 3 mV, junction at 25 degC", 97.681, _celsius(float(found)), 2e-3, "degC")


CASES = (
    Case("water", "coolant", "water.density, water.enthalpy", "IAPWS R6-95(2018), as computed by iapws 1.5.5", _water),
    Case(
        "glycols",
        "coolant with a glycol",
        "coolant.coolant_of",
        "CoolProp 8.0, incompressible fluids after Melinder 2010; handbook values and freezing points from memory",
        _glycols,
    ),
    Case("pt100", "platinum thermometer", "sensors.SENSORS", "IEC 60751:2008, table 1", _platinum),
    Case(
        "thermocouples", "thermocouples", "sensors.SENSORS", "ITS-90, NIST Monograph 175; IEC 60584-1", _thermocouples
    ),
    Case("cold-junction", "cold junction", "sensors.thermocouple_temperature", "NIST Monograph 175", _cold_junction),
)
