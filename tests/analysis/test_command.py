"""`python -m analysis`: exit codes, what stands on which output, one line for what cannot be read."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.analysis.bench import AREA, GAP, IMPEDANCE, POWER, SETUP, columns, csv_text, write_run, write_setup

ROOT = Path(__file__).resolve().parents[2]


def command(*arguments, folder=ROOT):
    return subprocess.run(
        [sys.executable, "-m", "analysis", *map(str, arguments)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("bench")
    write_run(made)
    write_setup(made)
    return made


@pytest.fixture(scope="module")
def result(folder):
    done = command("reduce", folder / "run.csv", "--setup", folder / "bench-2.toml", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    return json.loads(done.stdout)


def test_the_figures_are_those_of_the_layer_within_their_uncertainty(result):
    rise = POWER * IMPEDANCE / AREA
    expected = {
        "temperature_rise": (rise, "K"),
        "heat_flow": (POWER, "W"),
        "heat_flux": (POWER / AREA * 1e-4, "W/cm^2"),
        "thermal_impedance": (IMPEDANCE * 1e6, "mm^2*K/W"),
        "gap": (GAP * 1e6, "um"),
        "apparent_conductivity": (GAP / IMPEDANCE, "W/(m*K)"),
        "pressure": (250.0, "kPa"),
    }
    for key, (value, unit) in expected.items():
        figure = result["figures"][key]
        assert figure["unit"] == unit
        assert abs(figure["value"] - value) <= figure["U95"]
        assert figure["U95"] == pytest.approx(figure["k"] * figure["u"])


def test_the_result_has_every_part_of_its_shape(result):
    assert list(result) == [
        "method", "run", "steady", "figures", "budget", "press", "plateaus", "flags", "notes", "setup", "files",
        "package_version", "inputs",
    ]  # fmt: skip
    assert result["run"]["file"] == "run.csv"
    assert (result["run"]["sample"], result["run"]["application"]) == ("S-0311", "A-0525")
    assert result["run"]["rows"] == 1900
    assert result["files"]["run"] == result["run"]["sha256"]
    shares = [line["share"] for line in result["budget"]["thermal_impedance"]]
    assert sum(shares) == pytest.approx(1.0)


def test_the_same_command_gives_the_same_bytes_and_so_does_the_result_it_made(folder, result):
    text = json.dumps(result, indent=2) + "\n"
    again = command("reduce", folder / "run.csv", "--setup", folder / "bench-2.toml", "--json")
    assert again.stdout == text
    record = folder / "result.json"
    record.write_text(text, encoding="utf-8")
    assert command("reduce", folder / "run.csv", "--setup", record, "--json").stdout == text


def test_text_for_a_person_has_rounded_figures_with_units(folder):
    done = command("reduce", folder / "run.csv", "--setup", folder / "bench-2.toml")
    assert done.returncode == 0
    assert "Thermal impedance" in done.stdout
    assert " ± " in done.stdout
    assert "mm^2*K/W" in done.stdout


def test_a_run_that_never_settles_exits_with_3_and_still_prints_its_result(folder):
    path = folder / "drifting.csv"
    table = columns()
    table["hot [degC]"] = table["hot [degC]"] + table["time [s]"] * 0.01  # 0.6 K a minute
    path.write_text(csv_text(table), encoding="utf-8")
    done = command("reduce", path, "--setup", folder / "bench-2.toml", "--json")
    assert (done.returncode, done.stderr) == (3, "")
    found = json.loads(done.stdout)
    assert found["figures"] == {}
    assert "not_settled" in [flag["code"] for flag in found["flags"]]


def test_results_never_hold_nan_or_infinity(folder):
    done = command("reduce", folder / "drifting.csv", "--setup", folder / "bench-2.toml", "--json")
    assert "NaN" not in done.stdout
    assert "Infinity" not in done.stdout


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("time [s],hot [degC]\n0,warm\n", "run2.csv, line 2, column 'hot'"),
        ("", "run2.csv: the file is empty"),
        ("hot\n60\n", "time"),
        ("time [s],hot [degC]\n0,60\n1,60\n", "'cold' is not a column of run2.csv"),
        ("time [s],hot [W],cold [degC],power [W],gap [um],force [N]\n0,1,1,1,1,1\n1,1,1,1,1,1\n", "unit of power"),
        ("time [s],hot [degC],cold [degC],power [W],gap [W/mK],force [N]\n0,1,1,1,1,1\n1,1,1,1,1,1\n", "did you mean"),
        ("time [s],hot,cold [degC],power [W],gap [um],force [N]\n0,1,1,1,1,1\n1,1,1,1,1,1\n", "no unit is given"),
    ],
)
def test_a_file_that_cannot_be_read_exits_with_2_and_one_line(folder, content, words):
    path = folder / "run2.csv"
    path.write_text(content, encoding="utf-8")
    done = command("reduce", path, "--setup", folder / "bench-2.toml", "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert words in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[gap]", "[gapp]", "wrong.toml, key '[gapp]'"),
        ('"0.1 um"', '"0.1 W"', "wrong.toml, key '[gap] resolution'"),
        ("[rig]", "[rig", "wrong.toml, line 2"),
        ('column = "hot"', 'column = "hut"', "'hut' is not a column"),
        ('area = "1000 mm^2"', 'area = "1000 mm"', "area"),
    ],
)
def test_a_setup_that_cannot_be_read_exits_with_2_and_one_line(folder, old, new, words):
    write_setup(folder, "wrong.toml", SETUP.replace(old, new, 1))
    done = command("reduce", folder / "run.csv", "--setup", folder / "wrong.toml")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert words in done.stderr


def test_a_missing_file_exits_with_2(folder):
    done = command("reduce", folder / "none.csv", "--setup", folder / "bench-2.toml")
    assert (done.returncode, done.stdout, done.stderr) == (2, "", "none.csv: there is no such file\n")


def test_only_commands_that_work_are_offered():
    done = command("--help")
    assert done.returncode == 0
    for name in ("reduce", "batch", "compare"):
        assert name in done.stdout


def test_no_web_framework_and_no_polars_are_imported(folder):
    script = (
        "import sys, analysis, analysis.__main__; "
        "print(sorted(set(sys.modules) & {'django', 'lims', 'celery', 'polars', 'pint', 'matplotlib', 'plotly'}))"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_compare_ranks_results_and_refuses_what_is_none(folder, result):
    files = []
    for sample, shift in (("S-1", 0.0), ("S-2", 0.5)):
        for number in range(3):
            made = json.loads(json.dumps(result))
            made["run"] |= {"sample": sample, "application": f"{sample}-{number}", "sha256": f"{sample}{number}"}
            made["figures"]["temperature_rise"]["value"] += shift + 0.01 * number
            files.append(folder / f"{sample}-{number}.json")
            files[-1].write_text(json.dumps(made), encoding="utf-8")
    done = command("compare", *files, "--json")
    assert done.returncode == 0, done.stderr
    ranking = json.loads(done.stdout)
    assert [item["sample"] for item in ranking["ranking"]] == ["S-1", "S-2"]
    wrong = folder / "wrong.json"
    wrong.write_text("[1]", encoding="utf-8")
    done = command("compare", wrong)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("wrong.json: ")


def test_the_working_of_a_figure_is_shown_in_place_of_the_result(folder):
    words = ["reduce", folder / "run.csv", "--setup", folder / "bench-2.toml"]
    shown = command(*words, "--working", "thermal_impedance")
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "= dT * A / Q_el" in shown.stdout
    refused = command(*words, "--working", "viscosity")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "has no figure 'viscosity'" in refused.stderr
