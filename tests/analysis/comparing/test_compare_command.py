"""The `compare` command's science: result objects in, a ranking as JSON and as text out."""

import copy
import json
import re
from typing import Any

import pytest

from analysis.comparing import command, to_dict, to_text
from analysis.comparing.reading import read_result
from analysis.errors import UnitError, UnreadableFile

VALUES = {"S-0311": [12.1, 12.4, 12.2], "S-0312": [14.0, 14.3, 14.2], "S-0313": [12.3, 12.2, 12.5]}


def result(sample: str, application: str, rise: float, **changes: Any) -> dict[str, Any]:
    """A result object with the keys that `python -m analysis reduce --json` gives."""
    figures = {
        "temperature_rise": (rise, "K", 0.05),
        "heat_flow": (148.2, "W", 0.6),
        "heat_flux": (14.82, "W/cm^2", 0.06),
        "pressure": (changes.pop("pressure", 250.0), "kPa", 1.0),
        "thermal_impedance": (rise / 0.1482, "mm^2*K/W", 0.5),
        "hot_temperature": (60.0 + rise, "degC", 0.03),
        "cold_temperature": (60.0, "degC", 0.03),
        "coolant_temperature": (40.1, "degC", 0.05),
    }
    plain = {
        "method": {"name": "steady", "version": "1"},
        "run": {
            "file": f"{application}.csv",
            "sha256": f"{hash((sample, application)) & 0xFFFFFFFF:064x}",
            "rows": 1920,
            "sample": sample,
            "application": application,
        },
        "figures": {
            key: {"value": value, "unit": unit, "u": u, "dof": 61.0, "k": 2.0, "U95": 2 * u}
            for key, (value, unit, u) in figures.items()
        },
        "budget": {
            "temperature_rise": [
                {"source": "hot_temperature calibration", "u": 0.03, "share": 0.5, "common": "north: hot calibration"},
                {"source": "readings", "u": 0.01, "share": 0.1},
            ]
        },
        "flags": [],
    }
    return plain | changes


def results() -> list[dict[str, Any]]:
    return [
        result(sample, f"A-{sample[-1]}{number}", rise)
        for sample, several in VALUES.items()
        for number, rise in enumerate(several)
    ]


def test_ranking_intervals_and_letters() -> None:
    found = to_dict(command(results()))
    assert [(item["sample"], item["rank"], item["letters"]) for item in found["ranking"]] == [
        ("S-0311", 1, "a"),
        ("S-0313", 1, "a"),
        ("S-0312", 3, "b"),
    ]
    assert found["title"] == "9 of 9 runs used; 0 left out"
    low, high = found["ranking"][0]["interval"]
    assert low < 12.2333 < high
    assert json.loads(json.dumps(found, allow_nan=False)) == found


def test_figures_are_shown_in_their_unit() -> None:
    found = to_dict(command(results(), figure="thermal_impedance"))
    assert found["unit"] == "mm^2*K/W"
    assert found["ranking"][0]["mean"] == pytest.approx(sum(VALUES["S-0311"]) / 3 / 0.1482)


def test_offset_unit_is_read_and_shown_without_loss() -> None:
    found = to_dict(command(results(), figure="hot_temperature"))
    assert found["ranking"][0]["mean"] == pytest.approx(60 + sum(VALUES["S-0311"]) / 3)
    assert found["ranking"][0]["u"] < 1.0


def test_shared_calibration_is_read_from_the_budget() -> None:
    found = to_dict(command(results()))
    assert found["ranking"][0]["u_common"] == pytest.approx(0.03)


def test_text_names_order_spread_and_what_was_left_out() -> None:
    stale = {"code": "zero_stale", "severity": "blocks", "message": "the zero is 11 h old, allowed 8 h"}
    text = to_text(command([*results(), result("S-0311", "A-9", 12.0, flags=[stale])]))
    assert "9 of 10 runs used; 1 left out" in text
    lines = text.splitlines()
    assert re.match(r"1 +S-0311 +3 +12\.2\d* +± 0\.\d+ +a$", next(line for line in lines if "S-0311" in line))
    assert any("A-9" in line and "the zero is 11 h old, allowed 8 h" in line for line in lines)
    assert "simultaneous intervals by Tukey-Kramer" in text
    assert "S-0311 and S-0313 are not told apart" in text


def test_text_gives_the_differences_to_the_reference() -> None:
    text = to_text(command(results(), reference="S-0312"))
    assert re.search(r"^S-0311 less S-0312: -1\.93 ± 0\.\d+ K \(Dunnett, p = ", text, re.MULTILINE)


def test_samples_at_two_pressures_get_no_rank_but_a_refusal() -> None:
    several = [result("S-1", f"A-{n}", 10.0 + n / 10, pressure=150.0) for n in range(3)]
    several += [result("S-2", f"B-{n}", 9.0 + n / 10, pressure=300.0) for n in range(3)]
    found = to_dict(command(several))
    assert all("rank" not in item for item in found["ranking"] + found["provisional"])
    (refusal,) = found["refusals"]
    assert refusal == "not ranked: pressure 150 vs 300 kPa, tolerance 5 %"
    assert refusal in to_text(command(several))


def test_reduction_without_figures_is_left_out_not_an_error() -> None:
    empty = result("S-0311", "A-9", 1.0)
    empty["figures"] = {}
    found = to_dict(command([*results(), empty]))
    assert found["left_out"][0]["reasons"][0]["message"] == "the run gives no temperature rise"


def test_result_without_a_sample_is_left_out() -> None:
    nameless = result("", "A-9", 12.0)
    del nameless["run"]["sample"]
    found = to_dict(command([*results(), nameless]))
    assert found["left_out"][0]["reasons"][0]["message"] == "no sample is named"


@pytest.mark.parametrize("key", ["method", "run", "figures"])
def test_an_object_that_is_no_result_is_refused_by_file_and_key(key: str) -> None:
    bad = result("S-1", "A-1", 10.0)
    del bad[key]
    with pytest.raises(UnreadableFile) as caught:
        command([*results(), bad], names=[*(f"{n}.json" for n in range(9)), "bad.json"])
    assert str(caught.value) == f"bad.json, key '{key}': not a result of a reduction: an object is expected"


def test_a_number_that_is_none_is_refused_by_file() -> None:
    bad = result("S-1", "A-1", 10.0)
    bad["figures"]["temperature_rise"]["value"] = "warm"
    with pytest.raises(UnreadableFile, match=r"bad\.json"):
        read_result(bad, name="bad.json")


def test_a_wrong_unit_is_refused_by_file_and_figure() -> None:
    bad = result("S-1", "A-1", 10.0)
    bad["figures"]["pressure"]["unit"] = "W"
    with pytest.raises(UnitError, match=r"bad\.json, key 'figures\.pressure'"):
        read_result(bad, name="bad.json")


def test_infinite_degrees_of_freedom_may_be_written_as_nothing() -> None:
    plain = result("S-1", "A-1", 10.0)
    for written in (None, "inf", "Infinity"):
        changed = copy.deepcopy(plain)
        changed["figures"]["temperature_rise"]["dof"] = written
        assert read_result(changed, name="r.json").figures["temperature_rise"].dof == float("inf")
