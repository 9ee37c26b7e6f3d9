"""Drawing level: shares, what is needed, sensitivities; closed forms of theta = gap / k + contact."""

import math

import pytest

from analysis.comparing.level import Layer, build_of, draw_level, to_dict
from analysis.errors import NotComparable
from analysis.results import Measured


def a_layer(n: int, gap_um: float, *, k: float = 4.0, contact: float = 3e-6, **more: float) -> Layer:
    gap = gap_um * 1e-6
    return Layer(f"A-{n}", Measured(gap, 1e-9), Measured(gap / k + contact, 1e-10), **more)


def a_series(**more: float):
    return [a_layer(n, gap, **more) for n, gap in enumerate((20, 40, 60, 40))]


def at_target(impedance: float):
    return build_of("S-2", [Layer("A-9", Measured(20e-6, 1e-9), Measured(impedance, 1e-10))])


def test_runs_at_several_gaps_part_contact_and_bulk() -> None:
    """CMP-08: t = 40 um, k = 4, contact 3 (total 13 mm2 K/W) against 8: k = 8.0 at 40 um, or 20 um at k = 4."""
    found = build_of("S-1", a_series())
    assert found.contact is not None
    assert found.contact.value == pytest.approx(3e-6, rel=1e-6)
    assert found.conductivity.value == pytest.approx(4.0, rel=1e-6)
    told = to_dict(draw_level(found, at_target(8e-6), heat_flux=100e3))
    assert told["needed_conductivity"]["value"] == pytest.approx(8.0, rel=1e-6)
    assert told["needed_gap"]["value"] == pytest.approx(20.0, rel=1e-6)
    assert told["contact_share"]["value"] == pytest.approx(100 * 3 / 13, rel=1e-6)
    assert told["bulk_share"]["value"] == pytest.approx(100 * 10 / 13, rel=1e-6)
    assert told["floor_rise"]["value"] == pytest.approx(0.3)  # 3 mm2 K/W at 100 kW/m2
    assert told["rise"]["value"] == pytest.approx(1.3)


def test_a_contact_above_the_target_is_unreachable() -> None:
    told = to_dict(draw_level(build_of("S-1", a_series()), at_target(2e-6), heat_flux=None))
    assert told["unreachable"]
    assert told["needed_gap"] is None
    assert told["sentence"].startswith("Unreachable")


def test_at_one_gap_the_contact_stays_unknown() -> None:
    found = build_of("S-1", [a_layer(n, 40) for n in range(4)])
    assert found.contact is None
    assert found.conductivity.value == pytest.approx(40 / 13)
    told = to_dict(draw_level(found, at_target(6.5e-6), heat_flux=100e3))
    assert told["contact_share"] is None
    assert told["floor_rise"] is None
    assert told["needed_gap"]["value"] == pytest.approx(20.0)


def test_sensitivity_to_pressure_is_the_exponent_of_a_power_law() -> None:
    layers = [
        Layer(f"A-{n}", Measured(40e-6, 0), Measured(1e-5 * (p / 1e5) ** -0.3, 0), matched=n == 0, pressure=p)
        for n, p in enumerate((1e5, 2e5, 3e5, 4e5))
    ]
    found = build_of("S-1", layers)
    assert found.by_pressure is not None
    assert found.by_pressure.value == pytest.approx(-0.3)
    assert found.by_heat_flow is None


def test_more_runs_of_one_application_tell_no_more() -> None:
    scattered = [
        a_layer(n, gap, contact=contact)
        for n, (gap, contact) in enumerate(((20, 3e-6), (40, 4e-6), (60, 3e-6), (80, 5e-6)))
    ]
    once, often = build_of("S-1", scattered), build_of("S-1", scattered * 10)
    assert once.contact is not None
    assert often.contact is not None
    for key in ("gap", "impedance", "conductivity", "contact"):
        one, other = getattr(once, key), getattr(often, key)
        assert (other.value, other.u, other.dof) == pytest.approx((one.value, one.u, one.dof), rel=1e-9)


def test_the_doubt_of_a_mean_is_no_less_than_that_of_a_run() -> None:
    runs = [Layer(f"A-{n}", Measured(40e-6, 1e-6, 10.0), Measured(1e-5, 1e-7, 10.0)) for n in range(9)]
    assert build_of("S-1", runs).gap.u == pytest.approx(1e-6)


def test_without_a_matched_run_nothing_is_told() -> None:
    with pytest.raises(NotComparable, match="S-1"):
        build_of("S-1", [a_layer(1, 40, matched=False)])
    assert math.isinf(build_of("S-1", [a_layer(1, 40)]).gap.dof)
