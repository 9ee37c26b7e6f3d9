"""A file without its time column, or without its header, is named, not guessed at."""

from pathlib import Path

import pytest

import analysis
from analysis.errors import AnalysisError

SETUP = {
    "rig": {"area": "900 mm^2"},
    "channel": [
        {"column": "Zeit", "quantity": "time"},
        {"column": "P", "quantity": "heater_power"},
        {"column": "h", "quantity": "hot_temperature"},
        {"column": "c", "quantity": "cold_temperature"},
    ],
}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("t [s],P [W],h [degC],c [degC]\n0,1,2,3\n", "'Zeit' is not a column of run.csv"),
        ("0,0;1,5;2,5;3,5\n1,0;1,5;2,5;3,5\n", "expected a header with column names"),
    ],
)
def test_what_is_missing_is_named(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "run.csv"
    path.write_text(text)
    with pytest.raises(AnalysisError, match=words):
        analysis.reduce(path, setup=SETUP)
