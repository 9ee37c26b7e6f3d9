"""What it would take: closed forms, and the interval against random draws."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.comparing.takes import impedance_of_rise, needed_conductivity, what_it_takes
from analysis.errors import OutOfRange
from analysis.results import Measured
from analysis.units import to_si


def exactly(value: float) -> Measured:
    return Measured(value, 0.0)


def mm2(value: float, u: float = 0.0, dof: float = math.inf) -> Measured:
    """An impedance given in mm2 K/W."""
    return Measured(to_si(value, "mm^2*K/W", "impedance"), to_si(u, "mm^2*K/W", "impedance"), dof)


def um(value: float, u: float = 0.0, dof: float = math.inf) -> Measured:
    return Measured(to_si(value, "um", "length"), to_si(u, "um", "length"), dof)


def test_closed_form_case() -> None:
    # theta = gap / k + contact: 40 um, 4 W/(m K), contact 3, total 13; to reach 8 it takes 8 W/(m K) or 20 um
    found = what_it_takes(gap=um(40), conductivity=exactly(4.0), contact=mm2(3), target=mm2(8))
    assert found.impedance.value == pytest.approx(mm2(13).value)
    assert found.conductivity is not None
    assert found.conductivity.measured.value == pytest.approx(8.0)
    assert found.gap is not None
    assert found.gap.measured.value == pytest.approx(um(20).value)
    assert not found.unreachable


@pytest.mark.parametrize("contact", [8.0, 9.0])
def test_contact_as_large_as_the_target_is_out_of_reach(contact: float) -> None:
    found = what_it_takes(gap=um(40), conductivity=exactly(4.0), contact=mm2(contact), target=mm2(8))
    assert found.unreachable
    assert found.conductivity is None
    assert found.gap is None
    assert "unreachable" in found.sentence


def test_a_layer_below_the_target_is_there_already() -> None:
    assert what_it_takes(gap=um(10), conductivity=exactly(4.0), target=mm2(8)).reached


@given(st.floats(1.1, 20.0))
def test_a_layer_thicker_by_a_factor_needs_the_conductivity_times_that_factor(factor: float) -> None:
    thin = what_it_takes(gap=um(20), conductivity=exactly(4.0), target=mm2(4))
    thick = what_it_takes(gap=um(20 * factor), conductivity=exactly(4.0), target=mm2(4))
    assert thin.conductivity is not None
    assert thick.conductivity is not None
    assert thick.conductivity.measured.value == pytest.approx(factor * thin.conductivity.measured.value)


@given(st.floats(0.2, 50.0), st.floats(5.0, 500.0), st.floats(0.0, 30.0), st.floats(0.1, 60.0))
def test_what_is_needed_reaches_the_target(k: float, gap: float, contact: float, target: float) -> None:
    found = what_it_takes(gap=um(gap), conductivity=exactly(k), contact=mm2(contact), target=mm2(target))
    if found.conductivity is None or found.gap is None:
        assert contact >= target
        return
    by_k = um(gap).value / found.conductivity.measured.value + mm2(contact).value
    by_gap = found.gap.measured.value / k + mm2(contact).value
    assert (by_k, by_gap) == pytest.approx((mm2(target).value, mm2(target).value))


def test_uncertainty_agrees_with_random_draws() -> None:
    # JCGM 101:2008: propagation of distributions, here with normal ones
    rng = np.random.default_rng(3)
    gap, k = um(40, 1.0), Measured(4.0, 0.1)
    contact, target = mm2(3, 0.15), mm2(8, 0.1)
    found = what_it_takes(gap=gap, conductivity=k, contact=contact, target=target)
    draws = [rng.normal(one.value, one.u, 400_000) for one in (gap, k, contact, target)]
    assert found.conductivity is not None
    assert found.gap is not None
    assert found.conductivity.measured.u == pytest.approx(np.std(draws[0] / (draws[3] - draws[2])), rel=0.02)
    assert found.gap.measured.u == pytest.approx(np.std(draws[1] * (draws[3] - draws[2])), rel=0.02)


def test_interval_opens_upward_where_contact_and_target_are_not_told_apart() -> None:
    found = what_it_takes(gap=um(40), conductivity=exactly(4.0), contact=mm2(7.5, 0.4), target=mm2(8, 0.2))
    assert found.doubtful
    assert found.conductivity is not None
    assert found.conductivity.open_above
    assert "perhaps" in found.sentence


def test_curve_is_a_straight_line_from_the_origin_and_infinite_beyond_reach() -> None:
    gaps = np.array([um(10).value, um(20).value])
    assert needed_conductivity(gaps, target=mm2(8).value, contact=mm2(3).value) == pytest.approx([2.0, 4.0])
    assert np.all(np.isinf(needed_conductivity(gaps, target=mm2(3).value, contact=mm2(3).value)))


def test_rise_over_flux_is_impedance() -> None:
    found = impedance_of_rise(Measured(2.0, 0.02, 9), heat_flux=Measured(150_000.0, 1500.0))
    assert found.value == pytest.approx(mm2(13.333333).value)
    assert found.u / found.value == pytest.approx(math.hypot(0.01, 0.01))


@pytest.mark.parametrize(
    "bad",
    [{"gap": um(0)}, {"conductivity": exactly(-1.0)}, {"target": mm2(0)}, {"contact": mm2(-1)}, {"gap": um(math.nan)}],
)
def test_impossible_inputs_are_refused_by_name(bad: dict[str, Measured]) -> None:
    good = {"gap": um(40), "conductivity": exactly(4.0), "target": mm2(8)}
    with pytest.raises(OutOfRange, match=next(iter(bad)).split("_")[0]):
        what_it_takes(**(good | bad))
