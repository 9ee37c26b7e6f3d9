"""Lines of a formulation out of pasted text, CSV (RFC 4180: quotes around a cell with a comma) and workbooks."""

import pytest
import xlsxwriter

from analysis.errors import UnreadableFile
from analysis.materials.line_reading import read_lines, table_text


def found(text: str) -> list[tuple[str, str, str]]:
    read = read_lines(text)
    assert not read.problems
    return [(line.material, line.amount, line.basis) for line in read.lines]


@pytest.mark.parametrize(
    "text",
    [
        "M-001\t62,5\nfluid, thin\t40\tparts\nM-003\trest\n",
        "M-001;62,5 %\nfluid, thin;40;phr\nM-003;;the rest\n",
        'Material,Amount,Basis\nM-001,62.5,wt%\n"fluid, thin",40,parts\nM-003,,rest\n',
        "basis\tname\tcode\tamount\n\tM-001\t\t62.5\nParts\tfluid, thin\t\t40\nrest\tM-003\t\t\n",
    ],
)
def test_the_same_lines_however_they_are_parted(text: str) -> None:
    expected = [("M-001", "62.5", "mass"), ("fluid, thin", "40", "parts"), ("M-003", "", "rest")]
    assert found(text) == expected


def test_each_bad_row_is_named_with_what_was_found_and_expected() -> None:
    read = read_lines("M-001\tten\nM-002\t5\tper mole\n\t5\nM-004\t-1\nM-005\t5\n")
    assert [line.material for line in read.lines] == ["M-005"]
    assert read.problems == (
        "row 1: amount 'ten' found, expected a number of zero or above",
        "row 2: basis 'per mole' found, expected mass, parts, volume or rest",
        "row 3: no material found; expected the code or name of one",
        "row 4: amount '-1' found, expected a number of zero or above",
    )
    assert "5 columns found" in read_lines("M-001,62,5,parts,x").problems[0]


def test_a_workbook_reads_as_it_shows(tmp_path) -> None:
    path = tmp_path / "lines.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        for row, cells in enumerate([["Material", "Amount"], ["M-001", 0.1 + 0.2], ["M-002", "rest"]]):
            sheet.write_row(row, 0, cells)
    assert found(table_text(path, file="lines.xlsx")) == [("M-001", "0.3", "mass"), ("M-002", "", "rest")]


def test_a_file_that_is_no_table_is_refused(tmp_path) -> None:
    path = tmp_path / "picture"
    path.write_bytes(b"\x89PNG\x00\x01")
    with pytest.raises(UnreadableFile, match=r"neither text \(CSV\) nor a workbook"):
        table_text(path, file="picture.png")
