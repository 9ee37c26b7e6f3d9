"""`analysis.reduce` from notebooks, and the result object there and back."""

import json

import numpy as np
import pytest

import analysis
from analysis.errors import BadSetup, UnreadableFile
from tests.analysis.bench import columns, csv_text, write_run, write_setup


@pytest.fixture
def setup(tmp_path):
    return write_setup(tmp_path)


def test_arrays_and_a_file_of_the_same_numbers_give_the_same_figures(tmp_path, setup):
    path = tmp_path / "run.csv"
    path.write_text(csv_text(columns()), encoding="utf-8")
    from_file = analysis.reduce(path, setup=setup)
    trace = analysis.read_run(path, setup=analysis.read_setup(setup))
    table = {f"{name} [{trace.units[name]}]": values for name, values in trace.columns.items()}
    from_arrays = analysis.reduce({"time [s]": trace.time, **table}, setup=setup)
    assert from_arrays.figures == from_file.figures
    assert analysis.reduce(trace, setup=setup).to_dict() == from_file.to_dict()


def test_a_window_chosen_by_a_person_is_used_and_repeated_from_the_result(tmp_path, setup):
    path = write_run(tmp_path)
    chosen = analysis.reduce(path, setup=setup, window=(800.0, 1200.0))
    assert chosen.settled.chosen_by_hand
    assert (chosen.settled.start_s, chosen.settled.end_s) == (800.0, 1200.0)
    again = analysis.reduce(path, setup=json.loads(json.dumps(chosen.to_dict())))
    assert again.figures == chosen.figures


def test_a_result_is_read_back_as_the_reduction_it_was(tmp_path, setup):
    made = analysis.reduce(write_run(tmp_path), setup=setup)
    data = json.loads(json.dumps(made.to_dict(), allow_nan=False))
    back = analysis.from_dict(data)
    for key, figure in made.figures.items():
        assert back.figures[key].value == pytest.approx(figure.value, rel=1e-12)
        assert back.figures[key].u == pytest.approx(figure.u, rel=1e-12)
        assert back.figures[key].dof == figure.dof
    assert back.flags == made.flags
    assert [len(lines) for lines in back.budget.values()] == [len(lines) for lines in made.budget.values()]
    assert back.settled.rows == made.settled.rows
    assert len(back.plateaus) == len(made.plateaus)
    assert (back.press is None) == (made.press is None)


@pytest.mark.parametrize("data", [{}, {"method": 5}, {"method": {"name": "x", "version": "1"}, "figures": {"gap": {}}}])
def test_what_is_no_result_is_refused(data):
    with pytest.raises(UnreadableFile, match=r"r\.json: this is no result"):
        analysis.from_dict(data, name="r.json")


def test_a_figure_in_another_unit_of_its_kind_is_read_back():
    data = {
        "method": {"name": "steady", "version": "1"},
        "run": {},
        "steady": {"found": False},
        "figures": {"hot_temperature": {"value": 77.0, "unit": "degF", "u": 1.8, "dof": None}},
    }
    figure = analysis.from_dict(data).figures["hot_temperature"]
    assert (figure.value, figure.u, figure.dof) == (pytest.approx(298.15), pytest.approx(1.0), np.inf)


def test_columns_of_different_lengths_are_refused(setup):
    table = columns() | {"hot [degC]": np.zeros(3)}
    with pytest.raises(BadSetup, match="different lengths"):
        analysis.reduce(table, setup=setup)


def test_an_unknown_method_is_named(tmp_path, setup):
    with pytest.raises(BadSetup, match=r"\[run\] method"):
        analysis.reduce(write_run(tmp_path), setup={"run": {"method": "magic"}})


def test_without_an_area_the_rise_and_the_heat_are_told_and_the_rest_is_said_to_be_missing(tmp_path):
    made = analysis.reduce(write_run(tmp_path))
    assert {"temperature_rise", "heat_flow"} <= set(made.figures)
    assert {"thermal_impedance", "heat_flux", "pressure", "apparent_conductivity"}.isdisjoint(made.figures)
    assert "area is missing" in made.notes["thermal_impedance"]
    assert "no uncertainty is stated" in made.notes["uncertainty"]


def test_a_zero_run_may_have_fewer_columns_than_the_run(tmp_path, setup):
    zero = tmp_path / "zero.csv"
    zero.write_text(csv_text({"time [s]": np.arange(300.0), "gap [um]": np.full(300, 5.0)}), encoding="utf-8")
    made = analysis.reduce(write_run(tmp_path), setup=setup, zero=zero)
    assert made.figures["gap"].value == pytest.approx(43e-6, abs=0.1e-6)
    assert set(made.files) == {"run", "zero"}
