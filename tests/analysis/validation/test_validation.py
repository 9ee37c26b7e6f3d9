"""The validation: every case agrees, a broken function is found out, and the published data are those published."""

import json
import math
from importlib import resources

import numpy as np
import pytest

from analysis import validation
from analysis.__main__ import main
from analysis.materials import conductivity, particle_size, rheology, squeeze_flow
from analysis.quality import between_laboratories
from analysis.statistics import multiple, one_way, regression, student, uncertainty
from analysis.steady import water
from analysis.validation import data
from analysis.validation.case import Case, Check, try_case

REPORT = validation.validate()


@pytest.mark.parametrize("outcome", REPORT.outcomes, ids=lambda outcome: outcome.case.key)
def test_every_case_agrees(outcome):
    assert not outcome.error
    assert [check for check in outcome.checks if not check.agrees] == []
    assert outcome.agrees


def test_every_case_has_a_key_of_its_own_a_source_and_numbers():
    keys = [case.key for case in validation.CASES]
    assert len(set(keys)) == len(keys)
    assert all(case.source and case.method and case.function for case in validation.CASES)
    assert REPORT.checks > 500
    for wanted in (
        "Norris",
        "H.1",
        "H.2",
        "H.3",
        "JCGM 101",
        "JCGM 106",
        "IAPWS",
        "CoolProp",
        "IEC 60751",
        "ITS-90",
        "E691",
        "Dunnett",
    ):
        assert any(wanted in case.source for case in validation.CASES), wanted


def spoiled(function, *, by=1.01):
    """The same function with its first number off by a hundredth."""

    def wrong(*args, **kwargs):
        found = function(*args, **kwargs)
        if isinstance(found, tuple):
            return (found[0] * by, *found[1:])
        return found * by

    return wrong


@pytest.mark.parametrize(
    ("module", "name", "keys"),
    [
        (conductivity, "maxwell", {"maxwell", "interface"}),
        (conductivity, "bruggeman_differential", {"bruggeman"}),
        (squeeze_flow, "stefan_gap", {"squeeze"}),
        (squeeze_flow, "rest_gap", {"squeeze"}),
        (particle_size, "mean_diameter", {"sizes"}),
        (rheology, "maron_pierce", {"rheology"}),
        (water, "density", {"water"}),
        (student, "coverage_factor", {"student", "gum-h1"}),
        (uncertainty, "welch_satterthwaite", {"welch-satterthwaite", "gum-h1"}),
        (multiple, "holm", {"holm"}),
    ],
)
def test_a_broken_function_is_found_out(monkeypatch, module, name, keys):
    monkeypatch.setattr(module, name, spoiled(getattr(module, name), by=1.05))
    report = validation.validate(case for case in validation.CASES if case.key in keys)
    assert not report.agrees
    assert {outcome.case.key for outcome in report.disagreeing} == keys


@pytest.mark.parametrize(
    ("module", "name", "key"),
    [
        (regression, "fit_line", "norris"),
        (one_way, "anova", "sirstv"),
        (between_laboratories, "precision", "e691"),
        (uncertainty, "evaluate", "gum-h2"),
    ],
)
def test_a_function_that_fails_is_a_disagreement_that_names_the_error(monkeypatch, module, name, key):
    def fails(*_, **__):
        raise ZeroDivisionError("by nought")

    monkeypatch.setattr(module, name, fails)
    (outcome,) = validation.validate(case for case in validation.CASES if case.key == key).outcomes
    assert not outcome.agrees
    assert outcome.error == "ZeroDivisionError: by nought"


def test_no_number_and_no_checks_are_disagreements():
    assert not Check("value", 1.0, math.nan, 1e9).agrees
    assert not Check("value", 1.0, math.inf, math.inf).agrees
    assert not try_case(Case("none", "", "", "", lambda: [])).agrees


def nist(folder, name):
    return (resources.files("scipy.stats.tests") / "data" / folder / f"{name}.dat").read_text()


def test_the_data_typed_in_are_those_of_nist():
    """The files of NIST as scipy carries them."""
    rows = [
        tuple(map(float, line.split())) for line in nist("nist_linregress", "Norris").splitlines()[60:] if line.strip()
    ]
    assert rows == [tuple(row) for row in data.NORRIS]
    sets = {"SiRstv": data.SIRSTV, "AtmWtAg": data.ATMWTAG}
    sizes = ((1, 1.0, 21), (2, 1.0, 201), (4, 1e6, 21), (5, 1e6, 201), (7, 1e12, 21), (8, 1e12, 201))
    sets |= {f"SmLs0{n}": data.simon_lesage(constant, size) for n, constant, size in sizes}
    for name, groups in sets.items():
        lines = [line.split() for line in nist("nist_anova", name).splitlines()[60:] if line.strip()]
        typed = [value for group in groups for value in group]
        assert [float(line[-1]) for line in lines] == typed, name
        sizes = np.bincount([int(line[0]) for line in lines])
        assert [len(group) for group in groups] == [size for size in sizes.tolist() if size], name


def test_the_command_prints_sources_and_numbers(capsys):
    assert main(["validate"]) == 0
    said = capsys.readouterr().out
    assert "JCGM 100:2008, H.1, end gauge" in said
    assert "slope: expected 1.002116818, obtained 1.002116818" in said
    assert f"{len(validation.CASES)} of {len(validation.CASES)} cases agree" in said


def test_the_command_gives_json_and_exit_one_on_a_disagreement(capsys, monkeypatch):
    monkeypatch.setattr(conductivity, "maxwell", lambda *_, **__: math.nan)
    assert main(["validate", "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["agree"] is False
    (case,) = [case for case in found["cases"] if case["key"] == "maxwell"]
    assert case["agree"] is False
    assert case["checks"][0] == {
        "what": "matrix 1, filler 10, half",
        "unit": "W/(m*K)",
        "expected": 2.8,
        "obtained": None,
        "tolerance": 1e-12,
        "agree": False,
    }
    assert sum(case["agree"] for case in found["cases"]) > 30
