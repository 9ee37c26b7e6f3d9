"""What a notebook shows of a result, and the help of every command."""

import argparse

import polars as pl
import pytest

from analysis.__main__ import _parser
from analysis.errors import OutOfRange
from analysis.methods.steady import reduce_steady
from analysis.results import Measured
from analysis.showing import Figure
from analysis.units import pretty
from tests.analysis.steady.by_hand import setup, trace

CHANNELS = {"power": ("heater_power", {"u": 0.5}), "hot": ("hot_temperature", {}), "cold": ("cold_temperature", {})}


@pytest.fixture(scope="module")
def result():
    return reduce_steady(trace({"power [W]": 100.0, "hot [degC]": 60.0, "cold [degC]": 50.0}), setup({}, CHANNELS))


def test_a_figure_prints_with_its_expanded_uncertainty_unit_and_coverage_factor():
    # Student's t at 33 degrees of freedom, 97.5 %: 2.0345 (any table); 0.2067 * 2.0345 = 0.42.
    figure = Figure("thermal_impedance", Measured(12.311e-6, 0.2067e-6, 33.0))
    assert str(figure) == "12.31 ± 0.42 mm²·K/W (k = 2.03)"
    assert repr(figure) == "Thermal impedance: 12.31 ± 0.42 mm²·K/W (k = 2.03)"


def test_an_exact_figure_prints_without_an_uncertainty():
    assert str(Figure("gap", Measured(42e-6, 0.0))) == "42 µm"


def test_a_temperature_prints_in_degrees_and_its_uncertainty_as_a_difference():
    assert str(Figure("hot_temperature", Measured(333.15, 0.05))) == "60.000 ± 0.098 °C (k = 1.96)"


def test_a_figure_is_had_by_its_key_in_the_unit_people_see(result):
    figure = result.figure("thermal_impedance")
    assert (figure.value, figure.unit) == (pytest.approx(100.0), "mm^2*K/W")
    assert figure.u == pytest.approx(0.5)
    with pytest.raises(OutOfRange, match="temperature_rise"):
        result.figure("viscosity")


def test_a_result_prints_as_its_text(result):
    assert "Thermal impedance" in str(result)
    assert "±" in str(result)


def test_the_frame_has_one_row_a_figure(result):
    frame = result.to_frame()
    assert frame.columns == ["figure", "label", "value", "unit", "u", "dof", "k", "U95"]
    assert frame.height == len(result.figures)
    row = frame.filter(pl.col("figure") == "thermal_impedance").row(0, named=True)
    assert (row["value"], row["unit"]) == (pytest.approx(100.0), "mm^2*K/W")
    assert result.to_rows()[0]["figure"] == frame["figure"][0]


@pytest.mark.parametrize(
    ("unit", "printed"),
    [("mm^2*K/W", "mm²·K/W"), ("um/kN", "µm/kN"), ("1", ""), ("degC", "°C"), ("W/(m*K)", "W/(m·K)"), ("lum", "lum")],
)
def test_units_are_printed_with_their_signs(unit, printed):
    assert pretty(unit) == printed


def test_the_help_of_every_command_has_an_example():
    found = next(a for a in _parser()._actions if isinstance(a, argparse._SubParsersAction))
    for name, command in found.choices.items():
        assert f"python -m analysis {name} " in command.format_help(), name


def test_a_result_draws_its_budget_and_an_outcome_what_it_has(result, tmp_path):
    plot = result.plot("thermal_impedance")
    plot.save(tmp_path / "budget.svg")
    assert (tmp_path / "budget.svg").read_text(encoding="utf-8") == plot._repr_svg_()
    assert "<svg" in plot.svg
    with pytest.raises(OutOfRange, match="no figure 'gap'"):
        result.plot("gap")
