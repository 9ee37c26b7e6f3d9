"""Many runs by a manifest: order, one line a row, no bad row that stops the others."""

import json

import pytest

from analysis import batch
from analysis.errors import UnreadableFile
from tests.analysis.bench import write_run, write_setup


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("batch")
    (made / "data").mkdir()
    for number in range(4):
        write_run(made / "data", f"run{number}.csv", rows=600, seed=number)
    write_run(made / "data", "cold.csv", rows=600, power=0.0)
    (made / "data" / "bad.csv").write_text("time [s],hot [degC]\n0,warm\n", encoding="utf-8")
    write_setup(made)
    rows = ["run,setup,zero,zero_after"]
    rows += [f"data/run{number}.csv,bench-2.toml,," for number in range(2)]
    rows += [
        "data/bad.csv,bench-2.toml,,",
        "data/none.csv,bench-2.toml",
        ",bench-2.toml,,",
        "data/cold.csv,bench-2.toml",
    ]
    rows += [f"data/run{number}.csv,bench-2.toml,,," for number in range(2, 4)] + ["", "a,b,c,d,e"]
    (made / "manifest.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return made


def lines(path):
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


@pytest.mark.parametrize("workers", [1, 2])
def test_every_row_gets_one_line_in_the_order_of_the_manifest(folder, workers):
    out = folder / f"results{workers}.jsonl"
    seen = []
    codes = batch.run(folder / "manifest.csv", out=out, workers=workers, progress=lambda *numbers: seen.append(numbers))
    found = lines(out)
    assert codes == [line["exit"] for line in found] == [0, 0, 2, 2, 2, 3, 0, 0, 2]
    assert [line["run"]["file"] for line in found if "run" in line] == [
        "run0.csv", "run1.csv", "cold.csv", "run2.csv", "run3.csv",
    ]  # fmt: skip
    assert found[2]["error"].startswith("bad.csv, line 2, column 'hot'")
    assert found[3]["error"] == "none.csv: there is no such file"
    assert found[4]["error"].startswith("manifest.csv, line 6, column 'run'")
    assert found[8]["error"].startswith("manifest.csv, line 11")
    assert seen == [(number, 9, sum(code == 2 for code in codes[:number])) for number in range(1, 10)]


def test_the_number_of_workers_does_not_change_a_byte(folder):
    for workers in (1, 2):
        batch.run(folder / "manifest.csv", out=folder / f"results{workers}.jsonl", workers=workers)
    assert (folder / "results1.jsonl").read_bytes() == (folder / "results2.jsonl").read_bytes()


def test_an_error_nobody_thought_of_stops_its_own_row_only(folder, monkeypatch):
    def fails(run, **_):
        raise ZeroDivisionError("unforeseen")

    monkeypatch.setattr(batch, "reduce", fails)
    codes = batch.run(folder / "manifest.csv", out=folder / "results3.jsonl")
    assert codes == [1, 1, 1, 1, 2, 1, 1, 1, 2]
    assert "ZeroDivisionError: unforeseen" in lines(folder / "results3.jsonl")[0]["error"]


@pytest.mark.parametrize(
    ("content", "words"),
    [("", "expected a header"), ("setup\nx\n", "expected a header"), ("run,colour\nx,red\n", "column 'colour'")],
)
def test_a_manifest_that_cannot_be_read_is_refused(tmp_path, content, words):
    path = tmp_path / "manifest.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(UnreadableFile) as caught:
        batch.run(path, out=tmp_path / "out.jsonl")
    assert words in str(caught.value)
    assert not (tmp_path / "out.jsonl").exists()


def test_results_that_cannot_be_written_are_refused(folder, tmp_path):
    with pytest.raises(UnreadableFile, match="cannot be written"):
        batch.run(folder / "manifest.csv", out=tmp_path / "none" / "out.jsonl")
