"""Materials: published forms, identities that tie models to one another, and equations solved by another way."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from scipy import integrate, optimize

from analysis import plausibility
from analysis.materials import (
    ageing,
    bond_line,
    conductivity,
    contact,
    mixture,
    packing,
    particle_size,
    rheology,
    squeeze_flow,
)
from analysis.units import from_si, to_si
from analysis.validation.case import Case, Check

UM = "um"


def _um(value: float) -> float:
    return float(to_si(value, UM, "length"))


def _in_um(value: float) -> float:
    return float(from_si(float(value), UM, "length"))


def _mixture() -> Iterator[Check]:
    """10 g of fluid at 0.97 g/cm3 take 10.3093 cm3, 90 g of powder at 3.98 take 22.6131: 100 g take 32.9223 cm3."""
    shares = mixture.volume_fractions([0.1, 0.9], densities=[970.0, 3980.0])
    yield Check("volume fraction of powder", 22.613065 / 32.922343, float(shares[1]), 1e-6)
    dense = float(mixture.mixture_density([0.1, 0.9], densities=[970.0, 3980.0]))
    yield Check("density without voids", 3037.45, dense, 0.02, "kg/m^3")
    back = mixture.mass_fractions(shares, densities=[970.0, 3980.0])
    yield Check("mass fraction, there and back", 0.9, float(back[1]), 1e-14)


def _maxwell() -> Iterator[Check]:
    two = {"filler": 10.0, "fraction": 0.5}
    yield Check("matrix 1, filler 10, half", 2.8, float(conductivity.maxwell(1.0, **two)), 1e-12, "W/(m*K)")
    perfect = float(conductivity.maxwell(1.0, filler=math.inf, fraction=0.3))
    yield Check("perfect filler, 0.3", 1.6 / 0.7, perfect, 1e-12, "W/(m*K)")
    low, high = conductivity.hashin_shtrikman(0.2, filler=30.0, fraction=0.3)
    same = float(conductivity.maxwell(0.2, filler=30.0, fraction=0.3))
    yield Check("Hashin-Shtrikman lower bound is Maxwell", same, float(low), 1e-12, "W/(m*K)")
    upper = 30.0 + 0.7 / (1.0 / (0.2 - 30.0) + 0.3 / 90.0)
    yield Check("Hashin-Shtrikman upper bound as printed", upper, float(high), 1e-10, "W/(m*K)")
    for fraction, expected in ((0.1, 0.25705), (0.3, 0.46106), (0.5, 1.20546), (0.6, 4.04711)):
        found = float(conductivity.lewis_nielsen(0.2, filler=30.0, fraction=fraction))
        yield Check(f"Lewis-Nielsen, spheres, 0.2 and 30 at {fraction:g}", expected, found, 1e-5, "W/(m*K)")
    nielsen = conductivity.lewis_nielsen(0.2, filler=30.0, fraction=0.3, shape=2.0, packing=1.0)
    yield Check("Lewis-Nielsen with A = 2 and no limit is Maxwell", same, float(nielsen), 1e-12, "W/(m*K)")


def _bruggeman() -> Iterator[Check]:
    symmetric = conductivity.bruggeman_symmetric(1.0, filler=10.0, fraction=0.5)
    yield Check("symmetric, matrix 1, filler 10, half", 4.0, float(symmetric), 1e-12, "W/(m*K)")
    perfect = conductivity.bruggeman_differential(1.0, filler=math.inf, fraction=0.3)
    yield Check("differential, perfect filler, 0.3", 0.7**-3, float(perfect), 1e-12, "W/(m*K)")
    root = optimize.brentq(lambda k: (30.0 - k) / 29.8 * (0.2 / k) ** (1.0 / 3.0) - 0.5, 0.2, 30.0, xtol=1e-14)
    found = conductivity.bruggeman_differential(0.2, filler=30.0, fraction=0.5)
    yield Check("differential, equation solved by bisection", root, float(found), 1e-10, "W/(m*K)")


def _interface() -> Iterator[Check]:
    """Nan's form of 1997 beside Hasselman and Johnson's of 1987."""
    km, kf, phi, radius, h = 0.2, 30.0, 0.5, _um(5.0), 1e7
    al = float(conductivity.kapitza_radius(km, conductance=h)) / radius
    top = kf * (1.0 + 2.0 * al) + 2.0 * km + 2.0 * phi * (kf * (1.0 - al) - km)
    nan = km * top / (kf * (1.0 + 2.0 * al) + 2.0 * km - phi * (kf * (1.0 - al) - km))
    found = conductivity.hasselman_johnson(km, filler=kf, fraction=phi, radius=radius, conductance=h)
    yield Check("filled half, 5 um, 1e7 W/(m2 K)", nan, float(found), 1e-12, "W/(m*K)")
    without = conductivity.hasselman_johnson(km, filler=kf, fraction=phi, radius=radius, conductance=math.inf)
    maxwell = float(conductivity.maxwell(km, filler=kf, fraction=phi))
    yield Check("no boundary is Maxwell", maxwell, float(without), 1e-12, "W/(m*K)")
    neutral = float(conductivity.neutral_radius(km, filler=kf, conductance=h))
    held = conductivity.hasselman_johnson(km, filler=kf, fraction=phi, radius=neutral, conductance=h)
    yield Check("neutral radius leaves the matrix", km, float(held), 1e-12, "W/(m*K)")


def _bond_line() -> Iterator[Check]:
    found = float(bond_line.scaling_gap(100.0, pressure=to_si(100.0, "kPa", "pressure")))
    yield Check("100 Pa at 100 kPa", 131.0 * 0.001**0.166, _in_um(found), 1e-9, UM)
    for stress, kilopascal, expected in ((200.0, 138.0, 44.261), (50.0, 69.0, 39.450), (1000.0, 100.0, 60.992)):
        found = float(bond_line.scaling_gap(stress, pressure=to_si(kilopascal, "kPa", "pressure")))
        yield Check(f"{stress:g} Pa at {kilopascal:g} kPa", expected, _in_um(found), 1e-3, UM)
    halved = float(bond_line.scaling_gap(1.0, pressure=2000.0)) / float(bond_line.scaling_gap(1.0, pressure=1000.0))
    yield Check("at twice the pressure, as a share", 0.89131, halved, 1e-5)
    floor = bond_line.expected_gap(100.0, pressure=to_si(100.0, "kPa", "pressure"), largest=_um(60.0))
    yield Check("top cut of 60 um", 60.0, _in_um(float(floor)), 1e-9, UM)


def _squeeze() -> Iterator[Check]:
    face, start = squeeze_flow.Face(to_si(30.0, "mm", "length")), _um(500.0)
    radius = 0.5 * face.length
    newton = 2.0 * 100.0 / (3.0 * math.pi * 200.0 * radius**4)
    ended = _integrated(lambda h: newton * h**3, start, 60.0)
    found = squeeze_flow.stefan_gap(np.array([60.0]), start=start, viscosity=200.0, force=100.0, face=face)[0]
    yield Check("Stefan, 60 s, differential equation solved", _in_um(ended), _in_um(found), 1e-5, UM)
    k = 2.0 * math.pi * 50.0 * radius**3.5 / 3.5 * 4.0**0.5
    ended = _integrated(lambda h: (100.0 * h**2 / k) ** 2, start, 10.0)
    at = np.array([10.0])
    found = squeeze_flow.scott_gap(at, start=start, consistency=50.0, index=0.5, force=100.0, face=face)[0]
    yield Check("Scott, n = 0.5, 10 s, differential equation solved", _in_um(ended), _in_um(found), 1e-5, UM)
    speed, gap = _um(10.0), _um(100.0)
    stefan = squeeze_flow.stefan_force(speed, gap=gap, viscosity=200.0, face=face)
    scott_force = squeeze_flow.scott_force(speed, gap=gap, consistency=200.0, index=1.0, face=face)
    yield Check("Stefan's force", 477.1294, float(stefan), 1e-4, "N")
    yield Check("Scott's with n = 1 is Stefan's", float(stefan), float(scott_force), 1e-9, "N")
    rest = squeeze_flow.rest_gap(100.0, force=100.0, face=face)
    yield Check("rest under a yield stress", 2.0 * math.pi * 3.375 / 3.0, _in_um(float(rest)), 1e-9, UM)
    square = squeeze_flow.Face(face.length, face.length)
    yield Check(
        "rest on a square", 9.0, _in_um(float(squeeze_flow.rest_gap(100.0, force=100.0, face=square))), 1e-9, UM
    )
    yield from _blob(start)


def _blob(start: float) -> Iterator[Check]:
    """A round blob that has not reached the edge: of the volume of a disk of 20 mm by 0.5 mm."""
    volume = math.pi * to_si(10.0, "mm", "length") ** 2 * start
    found = float(squeeze_flow.blob_rest_gap(100.0, force=100.0, volume=volume))
    yield Check("rest of a blob under a yield stress", 55.9507, _in_um(found), 1e-4, UM)
    pace = 2.0 * math.pi * 100.0 / (3.0 * 200.0 * volume**2)
    ended = _integrated(lambda h: pace * h**5, start, 60.0)
    found = float(squeeze_flow.blob_gap(60.0, start=start, viscosity=200.0, force=100.0, volume=volume))
    yield Check("blob, 60 s, differential equation solved", _in_um(ended), _in_um(found), 1e-5, UM)
    force = float(squeeze_flow.blob_force(pace * start**5, gap=start, viscosity=200.0, volume=volume))
    yield Check("force on a blob at that speed", 100.0, force, 1e-9, "N")
    unit = squeeze_flow.Face(1.0, 1.0)
    yield Check("square, Newtonian, C / a^4", 0.42173, unit.viscous, 1e-5)
    yield Check("rectangle of 1 by 2", 1.37209, squeeze_flow.Face(1.0, 2.0).viscous, 1e-5)


def _integrated(rate: Callable[[float], float], start: float, seconds: float) -> float:
    """The gap after `seconds` by numerical integration of dh/dt = -rate(h), for ln h."""
    solved = integrate.solve_ivp(
        lambda _, y: [-rate(math.exp(y[0])) / math.exp(y[0])],
        (0.0, seconds),
        [math.log(start)],
        rtol=1e-10,
        atol=1e-12,
        method="LSODA",
    )
    return math.exp(float(solved.y[0, -1]))


def _sizes() -> Iterator[Check]:
    sizes, counts = [5.0, 10.0, 20.0], [100.0, 50.0, 10.0]
    d43 = (100 * 5**4 + 50 * 10**4 + 10 * 20**4) / (100 * 5**3 + 50 * 10**3 + 10 * 20**3)
    d32 = (100 * 5**3 + 50 * 10**3 + 10 * 20**3) / (100 * 5**2 + 50 * 10**2 + 10 * 20**2)
    yield Check("D[4,3]", d43, particle_size.mean_diameter(sizes, counts=counts, p=4, q=3), 1e-12, UM)
    yield Check("D[3,2]", d32, particle_size.mean_diameter(sizes, counts=counts, p=3, q=2), 1e-12, UM)
    powder = particle_size.LogNormal(10.0, 0.5)
    yield Check("log-normal D10", 10.0 * math.exp(-0.5 * 1.2815515655), float(powder.quantile(0.1)), 1e-8, UM)
    yield Check("log-normal D[4,3]", 10.0 * math.exp(0.125), powder.mean(4, 3), 1e-12, UM)
    yield Check("number median", 10.0 * math.exp(-0.75), powder.number_median, 1e-12, UM)
    rosin = particle_size.RosinRammler(20.0, 1.8)
    mean = integrate.quad(lambda d: math.exp(-((d / 20.0) ** 1.8)), 0.0, 400.0)[0]
    yield Check("Rosin-Rammler D[4,3] by integration", mean, rosin.volume_mean, 1e-8, UM)


def _packing() -> Iterator[Check]:
    yield Check("two sizes of 0.64", 0.8704, float(packing.furnas(0.64, sizes=2)), 1e-12)
    yield Check("coarse share", 1.0 / 1.36, float(packing.furnas_shares(0.64, sizes=2)[0]), 1e-12)
    yield Check("three sizes of 0.64", 0.953344, float(packing.furnas(0.64, sizes=3)), 1e-6)
    funk = float(packing.dinger_funk(10.0, largest=100.0, smallest=1.0, exponent=0.37))
    yield Check("Dinger and Funk, 10 of 1 to 100, q 0.37", 0.299023, funk, 1e-6)
    yield Check(
        "Andreasen at a tenth, q 0.5", 0.1**0.5, float(packing.andreasen(0.1, largest=1.0, exponent=0.5)), 1e-12
    )


def _rheology() -> Iterator[Check]:
    rates = np.geomspace(0.1, 100.0, 20)
    fit = rheology.fit_herschel_bulkley(rates, stresses=100.0 + 20.0 * np.sqrt(rates)).parameters
    for name, value, unit in (("yield_stress", 100.0, "Pa"), ("consistency", 20.0, "Pa*s^n"), ("index", 0.5, "")):
        yield Check(f"fitted {name.replace('_', ' ')}", value, fit[name].value, 1e-5 * value, unit)
    few = 1e-7
    einstein = (float(rheology.krieger_dougherty(few, packing=0.64)) - 1.0) / few
    yield Check("few spheres, Einstein's coefficient", 2.5, einstein, 1e-5)
    for phi, expected in ((0.1, 1.312375), (0.3, 2.751197), (0.5, 11.378450), (0.6, 84.448506)):
        found = float(rheology.krieger_dougherty(phi, packing=0.64))
        yield Check(f"Krieger-Dougherty at {phi:g} of 0.64", expected, found, 1e-5)
    yield Check("Maron-Pierce at 0.6 of 0.64", 256.0, float(rheology.maron_pierce(0.6, packing=0.64)), 1e-8)


def _contact() -> Iterator[Check]:
    given = {"hardness": 1.2e9, "conductivity": 167.0, "roughness": _um(math.sqrt(2.0)), "slope": 0.1 * math.sqrt(2.0)}
    found = float(contact.contact_conductance(to_si(1.0, "MPa", "pressure"), **given))
    yield Check("aluminium, 1 MPa", 24_797.3, found, 0.1, "W/(m^2*K)")
    pairs = (
        ("copper on aluminium", 401.0, 167.0, (0.4, 0.8), (0.08, 0.12), 0.5, 1.0e9, 34_750.5),
        ("stainless steel", 16.2, 16.2, (1.6, 1.6), (0.15, 0.15), 1.0, 3.8e9, 754.400),
    )
    for name, one, other, roughness, slopes, pressure, hardness, expected in pairs:
        found = float(
            contact.contact_conductance(
                to_si(pressure, "MPa", "pressure"),
                hardness=hardness,
                conductivity=contact.mean_conductivity(one, second=other),
                roughness=_um(float(contact.combined(roughness[0], second=roughness[1]))),
                slope=contact.combined(slopes[0], second=slopes[1]),
            )
        )
        yield Check(f"{name}, {pressure:g} MPa", expected, found, 1e-5 * expected, "W/(m^2*K)")
    power = contact.separation(1e6, hardness=1.2e9, roughness=_um(math.sqrt(2.0)), exact=False)
    yield Check("distance of the mean planes, power law", 4.3041, _in_um(float(power)), 1e-4, UM)
    air = float(contact.gap_conductance(0.026, separation=power))
    yield Check("air between them", 5562.5, air, 0.1, "W/(m^2*K)")
    y = float(contact.separation(to_si(1.0, "MPa", "pressure"), hardness=1.2e9, roughness=1.0))
    yield Check("share of a Gaussian face above the plane", 1.0 / 1200.0, 0.5 * math.erfc(y / math.sqrt(2.0)), 1e-12)


def _ageing() -> Iterator[Check]:
    use, test = to_si(55.0, "degC", "temperature"), to_si(125.0, "degC", "temperature")
    yield Check("Arrhenius, 0.7 eV, 55 to 125 degC", 78.0, ageing.arrhenius_factor(0.7, use=use, test=test).value, 0.6)
    swing = ageing.coffin_manson_factor(1.9, use=50.0, test=180.0).value
    yield Check("Coffin-Manson, 50 to 180 K", 11.4, swing, 5e-2)
    for energy, low, high, expected in (
        (0.7, 60.0, 125.0, 53.551),
        (0.8, 25.0, 85.0, 184.265),
        (1.0, 85.0, 150.0, 145.061),
    ):
        ends = {"use": to_si(low, "degC", "temperature"), "test": to_si(high, "degC", "temperature")}
        found = ageing.arrhenius_factor(energy, **ends).value
        yield Check(f"Arrhenius, {energy:g} eV, {low:g} to {high:g} degC", expected, found, 1e-3)
    damp, mild = (to_si(85.0, "degC", "temperature"), 0.85), (to_si(40.0, "degC", "temperature"), 0.50)
    for exponent, energy, expected in ((3.0, 0.9, 324.53), (2.7, 0.7, 109.07)):
        found = ageing.peck_factor(energy, exponent=exponent, use=mild, test=damp).value
        yield Check(f"Peck, 85 degC 85 % to 40 degC 50 %, n {exponent:g}, {energy:g} eV", expected, found, 0.01)
    day = to_si(1.0, "d", "time")
    slow = ageing.Cycling(50.0, 1.0 / day, to_si(75.0, "degC", "temperature"))
    fast = ageing.Cycling(180.0, 48.0 / day, to_si(125.0, "degC", "temperature"))
    found = ageing.norris_landzberg_factor(use=slow, test=fast).value
    yield Check("Norris-Landzberg, 50 K once a day, 180 K 48 times a day", 5.2248, found, 1e-3)


def _plausibility() -> Iterator[Check]:
    words = {verdict: float(place) for place, verdict in enumerate(plausibility.Verdict)}
    for said, claim, verdict in (
        ("liquid metal of 120 W/(m K)", plausibility.Claim(conductivity=120.0, kind="liquid_metal"), 2.0),
        ("liquid metal of 25 W/(m K)", plausibility.Claim(conductivity=25.0, kind="liquid_metal"), 0.0),
        (
            "a layer with less impedance than gap over conductivity",
            plausibility.Claim(conductivity=2.0, gap=_um(20.0), impedance=to_si(6.0, "mm^2*K/W", "impedance")),
            2.0,
        ),
    ):
        yield Check(f"{said} (0 plausible, 2 impossible)", verdict, words[plausibility.assess(claim).verdict], 0.0)


CASES = (
    Case("mixture", "volume fractions", "mixture.volume_fractions", "definitions, by hand", _mixture),
    Case(
        "maxwell",
        "conductivity of a mixture",
        "conductivity.maxwell",
        "Maxwell 1873; Hashin and Shtrikman 1962",
        _maxwell,
    ),
    Case("bruggeman", "conductivity of a mixture", "conductivity.bruggeman_differential", "Bruggeman 1935", _bruggeman),
    Case(
        "interface",
        "conductivity with a boundary",
        "conductivity.hasselman_johnson",
        "Hasselman and Johnson 1987; Nan et al., J. Appl. Phys. 81 (1997) 6692",
        _interface,
    ),
    Case(
        "bond-line",
        "bond line",
        "bond_line.scaling_gap",
        "Prasher, Proc. IEEE 94 (2006) 1571; constants from memory",
        _bond_line,
    ),
    Case(
        "squeeze",
        "squeeze flow",
        "squeeze_flow.stefan_gap, scott_gap, rest_gap",
        "Stefan 1874, Scott 1931; closed forms against numerical integration",
        _squeeze,
    ),
    Case("sizes", "particle size", "particle_size.mean_diameter", "ISO 9276-2; Hatch and Choate 1929", _sizes),
    Case("packing", "packing", "packing.furnas", "Furnas 1931; Andreasen 1930", _packing),
    Case(
        "rheology",
        "flow curve, crowding",
        "rheology.fit_herschel_bulkley",
        "Herschel and Bulkley 1926; Einstein 1906",
        _rheology,
    ),
    Case("contact", "contact of rough faces", "contact.contact_conductance", "Yovanovich 1982, recomputed", _contact),
    Case("ageing", "acceleration", "ageing.arrhenius_factor", "JEDEC JEP122, 0.7 eV; Coffin and Manson", _ageing),
    Case(
        "plausibility",
        "plausibility",
        "plausibility.assess",
        "J. Chem. Eng. Data 59 (2014) 757; first law",
        _plausibility,
    ),
)
