"""The working of what methods find beyond one reduction: printed numbers and a calculator lead to every figure."""

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest

import analysis
from analysis import studies, working
from analysis.__main__ import main
from analysis.errors import OutOfRange
from analysis.materials.squeeze_flow import Face, rest_gap, stefan_time, yield_gap
from analysis.quantities import QUANTITIES
from analysis.rig import frame_compliance, gap_expansion, loss_conductance, repeatability, sensor_offset
from analysis.units import conversion
from analysis.validation import method_cases
from tests.analysis.rig import test_compliance, test_expansion, test_loss, test_offset
from tests.analysis.rig.made import setup as rig_setup
from tests.analysis.working.test_working import by_hand

METHODS = ("series", "ageing", "cycles", "press", "thinning", "difference")


@pytest.fixture(scope="module")
def outcomes():
    """One outcome of every method, by recordings whose figures are known (the cases of the validation)."""
    found = {}
    methods = {name: getattr(studies, name) for name in METHODS}

    def keep(name):
        def call(*args, **kwargs):
            found[name] = methods[name](*args, **kwargs)
            return found[name]

        return call

    with pytest.MonkeyPatch.context() as patch:
        for name in METHODS:
            patch.setattr(studies, name, keep(name))
        for case in method_cases.CASES:
            list(case.compute())
    return found


def lead(outcome):
    """Every figure of an outcome, back from its JSON, worked out by hand."""
    data = json.loads(json.dumps(outcome.to_dict()))
    assert data["figures"]
    for key, figure in data["figures"].items():
        found = working.working_of(data, key)
        assert found.agrees, key
        printed = working.to_dict(found)
        value, last = by_hand(printed)
        unit = last["value"].partition(" ")[2] or "1"
        if unit != figure["unit"]:
            value *= conversion(unit, key).factor / conversion(figure["unit"], key).factor
        slack = max(abs(figure["value"]), figure["u"])
        assert value == pytest.approx(figure["value"], abs=1e-6 * slack), key
        if printed["uncertainty"]:
            parts = [float(part) for part in re.findall(r"([\d.e+-]+)\^2", printed["uncertainty"][0])]
            assert math.sqrt(sum(part**2 for part in parts)) == pytest.approx(figure["u"], rel=1e-6), key


@pytest.mark.parametrize("method", METHODS)
def test_every_figure_of_a_method_follows_from_its_printed_numbers(outcomes, method):
    lead(outcomes[method])


def test_a_press_that_comes_to_rest_shows_rest_and_yield_stress():
    # 400 Pa under 250 N on a square of 30 mm comes to rest at tau a^3 / (3 F) = 14.4 um.
    face = Face(30e-3, 30e-3)
    rest = rest_gap(400.0, force=250.0, face=face)
    columns = {"hot [degC]": 56.40, "cold [degC]": 50.0, "power [W]": 80.0, "force [N]": 250.0, "gap [um]": 0.0}
    quantities = ("hot_temperature", "cold_temperature", "heater_power", "force", "gap")
    setup = method_cases._setup(columns, quantities, rig={"area": "900 mm^2"}) | {"gap": {"zero_reading": "0 um"}}
    recording = method_cases._recording(columns, spread=0.05)
    since = np.maximum(recording["time [s]"] - 60.0, 0.0)
    tau = stefan_time(500e-6, viscosity=300.0, force=250.0, face=face)
    recording["gap [um]"] = recording["gap [um]"] + 1e6 * yield_gap(since, start=500e-6, tau=tau, rest=rest)
    recording["force [N]"] = np.where(since > 0.0, recording["force [N]"], 0.0)
    found = studies.press(recording, setup=setup, face="square")
    assert {"rest_gap", "yield_stress", "gap_to_go"} <= set(found.figures)
    lead(found)


def applications():
    values = (("A", 10.0), ("A", 10.3), ("A", 9.9), ("B", 20.0), ("B", 20.5))
    return [
        replace(method_cases._result(100.0, value), run={"file": str(value), "sample": sample})
        for sample, value in values
    ]


RIG = {
    "loss": lambda: loss_conductance(test_loss.runs(1), rig_setup()),
    "expansion": lambda: gap_expansion(test_expansion.runs(1), rig_setup()),
    "offset": lambda: sensor_offset([test_offset.isothermal(n, 0.05, number=n) for n in range(3)], rig_setup()),
    "compliance": lambda: frame_compliance([test_compliance.ramp(1, -0.01)], rig_setup()),
    "floor": lambda: repeatability(applications()),
}


@pytest.mark.parametrize("what", RIG)
def test_every_figure_of_a_rig_follows_from_its_printed_numbers(what):
    lead(RIG[what]())


def test_the_command_shows_the_working_of_a_series(tmp_path, capsys):
    files = []
    for gap, impedance in zip((50.0, 100.0, 200.0), (21.7, 37.2, 68.6), strict=True):
        file = tmp_path / f"gap-{gap:.0f}.json"
        file.write_text(json.dumps(method_cases._result(gap, impedance).to_dict()))
        files.append(str(file))
    assert main(["series", *files, "--working", "conductivity"]) == 0
    said = capsys.readouterr().out
    assert "= 1 / slope" in said
    assert said.rstrip().endswith("which is what the result states.")
    assert main(["series", *files, "--working", "viscosity"]) == 2
    assert "it has: conductivity, contact_impedance" in capsys.readouterr().err


def test_a_figure_that_was_tampered_with_is_told(outcomes):
    data = json.loads(json.dumps(outcomes["series"].to_dict()))
    data["figures"]["conductivity"]["value"] *= 1.001
    assert not working.working_of(data, "conductivity").agrees


def test_a_figure_the_outcome_does_not_have_is_refused_with_those_it_has(outcomes):
    with pytest.raises(OutOfRange, match="conductivity, contact_impedance"):
        working.working_of(outcomes["series"], "yield_stress")


@pytest.mark.parametrize(
    ("value", "printed"),
    [
        (9.152284264e-05, "91.52284264e-6"),
        (0.0, "0"),
        (0.001, "0.001"),
        (-2.5e-7, "-250e-9"),
        (12.5, "12.5"),
        (1e9, "1e9"),
    ],
)
def test_small_numbers_are_printed_in_millionths(value, printed):
    assert working.sheet.printed(value) == printed
    assert float(working.sheet.printed(value)) == pytest.approx(value)


def test_methods_say_what_can_be_worked_out(outcomes):
    for method in outcomes.values():
        assert set(method.worked) <= set(QUANTITIES)
    assert analysis.Outcome is type(outcomes["series"])
