"""Conductivity of filled materials: worked values, identities, bounds over many mixtures, and the equations solved."""

import math

import numpy as np
import pytest
from scipy import integrate, optimize

from analysis.errors import OutOfRange
from analysis.materials.conductivity import (
    MODELS,
    bruggeman_differential,
    bruggeman_symmetric,
    every,
    expect,
    hashin_shtrikman,
    hasselman_johnson,
    kapitza_radius,
    lewis_nielsen,
    maxwell,
    neutral_radius,
    parallel,
    series,
)

RANDOM = np.random.default_rng(7)
MATRIX = 10.0 ** RANDOM.uniform(-2.0, 1.0, 10_000)
FILLER = MATRIX * 10.0 ** RANDOM.uniform(0.001, 4.0, 10_000)
FRACTION = RANDOM.uniform(0.0, 1.0, 10_000)
SIMPLE = [series, parallel, maxwell, bruggeman_symmetric, bruggeman_differential]


# recomputed independently from the formulas of the sources named in the module: matrix 0.2, filler 30 W/(m K)
@pytest.mark.parametrize(
    ("fraction", "values"),
    [
        (0.1, (0.22206, 0.26521, 0.27235, 0.28268, 0.25705, 2.26155, 3.18)),
        (0.3, (0.28490, 0.44995, 0.56209, 1.17129, 0.46106, 6.83938, 9.14)),
        (0.5, (0.39735, 0.77677, 1.41253, 7.92839, 1.20546, 12.14381, 15.10)),
        (0.6, (0.49505, 1.05687, 2.46518, 12.26461, 4.04711, 15.12479, 18.08)),
    ],
)
def test_a_paste_as_worked_by_hand(fraction, values):
    two = {"filler": 30.0, "fraction": fraction}
    low, high = hashin_shtrikman(0.2, **two)
    found = (
        series(0.2, **two), low, bruggeman_differential(0.2, **two), bruggeman_symmetric(0.2, **two),
        lewis_nielsen(0.2, **two), high, parallel(0.2, **two),
    )  # fmt: skip
    assert found == pytest.approx(values, abs=6e-6)


def test_ten_to_one_as_worked_by_hand():
    assert maxwell(1.0, filler=10.0, fraction=0.1) == pytest.approx(1.243243, abs=1e-6)
    assert bruggeman_symmetric(1.0, filler=10.0, fraction=0.1) == pytest.approx(1.274158, abs=1e-6)
    assert bruggeman_differential(1.0, filler=10.0, fraction=0.1) == pytest.approx(1.257387, abs=1e-6)
    assert lewis_nielsen(1.0, filler=10.0, fraction=0.1) == pytest.approx(1.221543, abs=1e-6)
    assert maxwell(1.0, filler=10.0, fraction=0.5) == pytest.approx(2.8, rel=1e-14)
    assert bruggeman_symmetric(1.0, filler=10.0, fraction=0.5) == pytest.approx(4.0, rel=1e-14)
    assert bruggeman_differential(1.0, filler=10.0, fraction=0.5) == pytest.approx(3.300224, abs=1e-6)
    assert lewis_nielsen(1.0, filler=10.0, fraction=0.5) == pytest.approx(3.659401, abs=1e-6)
    assert hashin_shtrikman(1.0, filler=10.0, fraction=0.5) == pytest.approx((2.8, 4.705882), abs=1e-6)


@pytest.mark.parametrize("filler", [math.inf, 1e13])
def test_a_perfect_filler_has_the_closed_forms(filler):
    assert maxwell(1.0, filler=filler, fraction=0.3) == pytest.approx(1.6 / 0.7, rel=1e-9)
    assert bruggeman_differential(1.0, filler=filler, fraction=0.3) == pytest.approx(0.7**-3, rel=1e-9)
    assert bruggeman_symmetric(1.0, filler=filler, fraction=0.2) == pytest.approx(1.0 / 0.4, rel=1e-9)


def test_voids_have_the_closed_forms():
    """A filler of nought: Maxwell 2 (1 - phi)/(2 + phi), differential (1 - phi)^(3/2), symmetric 1 - 3 phi / 2."""
    assert maxwell(1.0, filler=0.0, fraction=0.2) == pytest.approx(1.6 / 2.2)
    assert bruggeman_differential(1.0, filler=0.0, fraction=0.2) == pytest.approx(0.8**1.5)
    assert bruggeman_symmetric(1.0, filler=0.0, fraction=0.2) == pytest.approx(0.7)
    assert bruggeman_symmetric(1.0, filler=0.0, fraction=0.7) == pytest.approx(0.0, abs=1e-15)
    assert series(1.0, filler=0.0, fraction=0.2) == 0.0
    assert parallel(1.0, filler=0.0, fraction=0.2) == pytest.approx(0.8)


def test_the_order_of_bounds_and_models_holds_for_ten_thousand_mixtures():
    two = {"filler": FILLER, "fraction": FRACTION}
    low, high = hashin_shtrikman(MATRIX, **two)
    slack = 1.0 + 1e-11
    assert np.all(series(MATRIX, **two) <= low * slack)
    assert low == pytest.approx(maxwell(MATRIX, **two), rel=1e-12)
    assert np.all(high <= parallel(MATRIX, **two) * slack)
    for model in (bruggeman_differential, bruggeman_symmetric):
        found = model(MATRIX, **two)
        assert np.all(low <= found * slack)
        assert np.all(found <= high * slack)


def test_the_textbook_form_of_both_bounds_gives_the_same():
    """Hashin and Shtrikman 1962, as written in the docstring."""
    low, high = hashin_shtrikman(MATRIX, filler=FILLER, fraction=FRACTION)
    less = MATRIX + FRACTION / (1.0 / (FILLER - MATRIX) + (1.0 - FRACTION) / (3.0 * MATRIX))
    more = FILLER + (1.0 - FRACTION) / (1.0 / (MATRIX - FILLER) + FRACTION / (3.0 * FILLER))
    assert low == pytest.approx(less, rel=1e-9)
    assert high == pytest.approx(more, rel=1e-9)
    turned = hashin_shtrikman(FILLER, filler=MATRIX, fraction=1.0 - FRACTION)
    assert turned[0] == pytest.approx(low, rel=1e-9)
    assert turned[1] == pytest.approx(high, rel=1e-9)


@pytest.mark.parametrize("model", SIMPLE)
@pytest.mark.parametrize("filler", [0.01, 0.2, 5.0, 2000.0])
def test_nothing_and_everything_give_matrix_and_filler(model, filler):
    assert model(0.2, filler=filler, fraction=0.0) == pytest.approx(0.2, rel=1e-12)
    assert model(0.2, filler=filler, fraction=1.0) == pytest.approx(filler, rel=1e-11)


@pytest.mark.parametrize("model", [maxwell, bruggeman_symmetric, bruggeman_differential])
def test_models_solve_their_own_equation(model):
    """scipy.optimize.brentq on the equation of the source, as reference."""
    km, kf, phi = 0.17, 42.0, 0.44
    equations = {
        maxwell: lambda k: (k - km) / (k + 2 * km) - phi * (kf - km) / (kf + 2 * km),
        bruggeman_symmetric: lambda k: phi * (kf - k) / (kf + 2 * k) + (1 - phi) * (km - k) / (km + 2 * k),
        bruggeman_differential: lambda k: (kf - k) / (kf - km) * (km / k) ** (1 / 3) - 1 + phi,
    }
    expected = optimize.brentq(equations[model], km, kf, xtol=1e-14)
    assert model(km, filler=kf, fraction=phi) == pytest.approx(expected, rel=1e-11)


def test_lewis_nielsen_with_a_of_two_and_no_limit_is_maxwell():
    two = {"filler": FILLER, "fraction": FRACTION}
    assert lewis_nielsen(MATRIX, shape=2.0, packing=1.0, **two) == pytest.approx(maxwell(MATRIX, **two), rel=1e-9)


@pytest.mark.parametrize(
    ("shape", "packing", "value"), [(1.5, 0.601, 1.4685), (3.0, 0.637, 1.6668), (1.5, 0.637, 1.20546)]
)
def test_lewis_nielsen_with_other_grains_as_worked_by_hand(shape, packing, value):
    found = lewis_nielsen(0.2, filler=30.0, fraction=0.5, shape=shape, packing=packing)
    assert found == pytest.approx(value, abs=6e-5)


def test_lewis_nielsen_has_no_value_from_its_packing_limit_on():
    found = lewis_nielsen(0.2, filler=30.0, fraction=np.array([0.6, 0.637, 0.8]))
    assert np.isnan(found).tolist() == [False, True, True]


@pytest.mark.parametrize(
    ("conductance", "value"), [(1e12, 0.776774), (1e8, 0.775428), (1e7, 0.763544), (1e6, 0.663784), (1e5, 0.317363)]
)
def test_an_interface_as_worked_by_hand_and_by_the_form_of_nan(conductance, value):
    """Hasselman and Johnson's form in the module; Nan's form with the Kapitza radius here."""
    km, kf, phi, a = 0.2, 30.0, 0.5, 5e-6
    found = hasselman_johnson(km, filler=kf, fraction=phi, radius=a, conductance=conductance)
    assert found == pytest.approx(value, abs=1e-6)
    al = kapitza_radius(km, conductance=conductance) / a
    nan_form = (
        km
        * (kf * (1 + 2 * al) + 2 * km + 2 * phi * (kf * (1 - al) - km))
        / (kf * (1 + 2 * al) + 2 * km - phi * (kf * (1 - al) - km))
    )
    x = kf / (a * conductance)
    as_printed = (
        km * (2 * (kf / km - x - 1) * phi + kf / km + 2 * x + 2) / ((1 - kf / km + x) * phi + kf / km + 2 * x + 2)
    )
    assert found == pytest.approx(nan_form, rel=1e-12)
    assert found == pytest.approx(as_printed, rel=1e-12)


def test_an_interface_without_resistance_is_maxwell_and_the_neutral_radius_does_nothing():
    assert kapitza_radius(0.2, conductance=1e7) == pytest.approx(20e-9)
    neutral = neutral_radius(0.2, filler=30.0, conductance=1e7)
    assert neutral == pytest.approx(20.1342e-9, rel=1e-5)
    for phi in (0.1, 0.5, 0.9):
        assert hasselman_johnson(0.2, filler=30.0, fraction=phi, radius=neutral, conductance=1e7) == pytest.approx(0.2)
        held = hasselman_johnson(0.2, filler=30.0, fraction=phi, radius=1e-6, conductance=math.inf)
        assert held == pytest.approx(maxwell(0.2, filler=30.0, fraction=phi))
    assert math.isnan(neutral_radius(0.2, filler=0.1, conductance=1e7))


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0, 4.0])
@pytest.mark.parametrize("filler", [0.05, 30.0])
def test_the_differential_scheme_with_an_interface_solves_its_equation(share, filler):
    """scipy.integrate.solve_ivp of the differential equation, as reference."""
    phi = 0.55

    def slope(f, k):
        return 3 * k * (filler * (1 - share) - k) / ((1 - f) * (filler * (1 + 2 * share) + 2 * k))

    solved = integrate.solve_ivp(slope, (0.0, phi), [0.2], rtol=1e-11, atol=1e-13).y[0, -1]
    assert every(0.2, filler=filler, fraction=phi, share=share) == pytest.approx(solved, rel=1e-8)


def test_the_differential_scheme_with_an_interface_has_its_limits():
    assert every(0.2, filler=30.0, fraction=0.5, share=0.0) == pytest.approx(1.41253, abs=6e-6)
    assert every(0.2, filler=math.inf, fraction=0.5, share=0.2) == pytest.approx(0.2 * 0.5 ** (-3 * 0.8 / 1.4))
    assert every(0.2, filler=30.0, fraction=0.0, share=0.2) == 0.2


@pytest.mark.parametrize("model", MODELS.values(), ids=lambda entry: entry.name)
class TestEveryModel:
    MORE = {"radius": 5e-6, "conductance": 1e7, "share": 0.01, "shape": 1.5, "packing": 0.64}

    def call(self, model, matrix, **two):
        return model.formula(matrix, **two, **{name: self.MORE[name] for name in model.needs})

    def test_numbers_give_a_number_and_arrays_give_the_same_as_numbers(self, model):
        fractions = np.array([[0.0, 0.1], [0.3, 0.5]])
        found = self.call(model, 0.2, filler=30.0, fraction=fractions)
        assert found.shape == (2, 2)
        assert not found.flags.writeable
        for phi, value in zip(fractions.ravel(), found.ravel(), strict=True):
            alone = self.call(model, 0.2, filler=30.0, fraction=float(phi))
            assert type(alone) is float
            assert alone == pytest.approx(value, rel=1e-14)

    def test_missing_values_stay_missing(self, model):
        assert np.isnan(self.call(model, 0.2, filler=30.0, fraction=math.nan))
        assert np.isnan(self.call(model, 0.2, filler=math.nan, fraction=0.3))
        assert np.isnan(self.call(model, math.nan, filler=30.0, fraction=0.3))

    def test_conductivities_in_another_unit_give_the_result_in_that_unit(self, model):
        if "conductance" in model.needs:
            one = model.formula(0.2, filler=30.0, fraction=0.3, radius=5e-6, conductance=1e7)
            other = model.formula(200.0, filler=30e3, fraction=0.3, radius=5e-6, conductance=1e10)
        else:
            one = self.call(model, 0.2, filler=30.0, fraction=0.3)
            other = self.call(model, 200.0, filler=30e3, fraction=0.3)
        assert other == pytest.approx(1e3 * one, rel=1e-12)

    @pytest.mark.parametrize(
        ("wrong", "words"),
        [
            ({"fraction": 1.2}, "volume fraction: expected 0 to 1, found 1.2"),
            ({"fraction": -0.1}, "volume fraction"),
            ({"filler": -1.0}, "filler conductivity: expected zero or above, found -1"),
            ({"matrix": 0.0}, "matrix conductivity: expected above zero, found 0"),
        ],
    )
    def test_what_is_out_of_range_is_named(self, model, wrong, words):
        given = {"matrix": 0.2, "filler": 30.0, "fraction": 0.3} | wrong
        with pytest.raises(OutOfRange, match=words):
            self.call(model, given.pop("matrix"), **given)


def test_a_model_beyond_its_range_says_so():
    found = expect("maxwell", 0.2, filler=30.0, fraction=0.5)
    assert found.value == pytest.approx(0.776774, abs=1e-6)
    assert found.cautions == ("Maxwell is good to a fraction of 0.25, not 0.5",)
    assert expect("maxwell", 0.2, filler=30.0, fraction=0.2).cautions == ()


def test_lewis_nielsen_below_the_bound_is_told():
    (caution,) = expect("lewis_nielsen", 0.2, filler=30.0, fraction=0.1).cautions
    assert "0.257, outside the bounds 0.2652 to 2.262" in caution
    (caution,) = expect("lewis_nielsen", 0.2, filler=30.0, fraction=0.7).cautions
    assert "packing limit" in caution


@pytest.mark.parametrize(("model", "more"), [("guess", {}), ("maxwell", {"shape": 3.0})])
def test_a_model_or_parameter_that_is_not_known_is_refused(model, more):
    with pytest.raises(OutOfRange):
        expect(model, 0.2, filler=30.0, fraction=0.1, **more)
