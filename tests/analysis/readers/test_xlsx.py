"""XLSX workbooks: the first sheet with a header, and archives that are none or far too large."""

import zipfile
from datetime import datetime, timedelta

import numpy as np
import pytest
import xlsxwriter

import analysis
from analysis.errors import UnreadableFile
from analysis.readers import xlsx

CLOCK = datetime(2026, 3, 1, 9, 30)  # noqa: DTZ001 - what the rig's clock showed


def workbook(tmp_path, *sheets, name="run.xlsx"):
    path = tmp_path / name
    with xlsxwriter.Workbook(str(path), {"default_date_format": "yyyy-mm-dd hh:mm:ss"}) as book:
        for rows in sheets:
            sheet = book.add_worksheet()
            for number, row in enumerate(rows):
                sheet.write_row(number, 0, row)
    return path


def read(path, setup=None):
    return analysis.read_run(path, setup=analysis.read_setup(setup or {}))


HEADER = ["time [s]", "hot [°C]", "remark"]


def test_numbers_blanks_and_missing_signs_are_read(tmp_path):
    trace = read(workbook(tmp_path, [HEADER, [0, 60.5, "a"], [1, None], [2, "NaN"], [3, "61.5"]]))
    np.testing.assert_array_equal(trace.columns["hot"], [60.5, np.nan, np.nan, 61.5])
    assert trace.units["hot"] == "°C"
    assert trace.unread == ("remark",)


def test_the_first_sheet_with_a_header_is_read_and_notes_are_kept(tmp_path):
    rows = [["# operator: N. N."], [], ["# bench", "2"], ["# room:", "23 degC"], HEADER, [0, 60.5]]
    trace = read(workbook(tmp_path, [], rows, [["other"], [1]]))
    assert dict(trace.notes) == {"operator": "N. N.", "room": "23 degC"}
    assert trace.columns["hot"].tolist() == [60.5]


def test_dates_are_clock_times_of_the_rig(tmp_path):
    rows = [["time", "hot [degC]"], [CLOCK, 60], [CLOCK + timedelta(seconds=2), 61]]
    trace = read(workbook(tmp_path, rows), {"rig": {"time_zone": "Europe/Vienna"}})
    assert trace.time.tolist() == pytest.approx([0.0, 2.0], abs=2e-3)  # a workbook counts days, to about a millisecond
    assert trace.start.isoformat(timespec="seconds") == "2026-03-01T08:30:00+00:00"


def test_text_stamps_with_an_offset_are_instants(tmp_path):
    rows = [["time", "hot [degC]"], ["2026-03-01T09:30:00+01:00", 60], ["2026-03-01T08:30:01Z", 61]]
    assert read(workbook(tmp_path, rows)).time.tolist() == [0.0, 1.0]


def test_content_goes_before_the_name(tmp_path):
    assert read(workbook(tmp_path, [HEADER, [0, 60.5]], name="run.csv")).rows == 1


@pytest.mark.parametrize("cell", ["hello", "60,5", True])
def test_a_text_in_a_number_column_is_named_by_line_and_column(tmp_path, cell):
    with pytest.raises(UnreadableFile) as caught:
        read(workbook(tmp_path, [["# note: x"], HEADER, [0, 60.5], [1, cell]]))
    assert (caught.value.where.line, caught.value.where.column) == (4, "hot")


def test_a_text_in_the_time_column_is_named(tmp_path):
    with pytest.raises(UnreadableFile) as caught:
        read(workbook(tmp_path, [HEADER, [0, 60.5], ["later", 61]]))
    assert (caught.value.where.line, caught.value.where.column) == (3, "time")


def test_a_cell_beyond_the_header_is_named(tmp_path):
    with pytest.raises(UnreadableFile) as caught:
        read(workbook(tmp_path, [HEADER, [0, 60.5, "a", "b"]]))
    assert caught.value.where.line == 2


def test_a_workbook_without_a_header_is_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="no sheet"):
        read(workbook(tmp_path, [], []))


def test_another_archive_is_refused(tmp_path):
    path = tmp_path / "run.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("../../run.csv", "time,hot\n0,60\n")
    with pytest.raises(UnreadableFile, match="ZIP archive"):
        read(path)


def test_an_archive_of_very_many_parts_is_refused(tmp_path):
    path = tmp_path / "run.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(xlsx.MAX_MEMBERS + 1):
            archive.writestr(f"xl/workbook{number}", "")
    with pytest.raises(UnreadableFile, match="parts"):
        read(path)


def test_a_workbook_that_claims_five_gigabytes_is_refused(tmp_path):
    path = workbook(tmp_path, [HEADER, [0, 60.5]])
    data = bytearray(path.read_bytes())
    entry = data.index(b"PK\x01\x02")  # the first entry of the central directory: its unpacked size stands at 24
    data[entry + 24 : entry + 28] = (0xFFFFFFF0).to_bytes(4, "little")
    path.write_bytes(data)
    with pytest.raises(UnreadableFile, match="unpacks to more than"):
        read(path)


def test_a_workbook_that_unpacks_to_more_than_it_claims_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(xlsx, "MAX_UNPACKED", 2_000_000)
    path = tmp_path / "run.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", bytes(30_000_000))
    data = bytearray(path.read_bytes())
    entry = data.index(b"PK\x01\x02")
    data[entry + 24 : entry + 28] = (1000).to_bytes(4, "little")
    path.write_bytes(data)
    with pytest.raises(UnreadableFile, match="unpacks to more than"):
        read(path)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_a_workbook_cut_short_is_refused(tmp_path, share):
    path = workbook(tmp_path, [HEADER, [0, 60.5]])
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(UnreadableFile):
        read(path)


def test_a_cover_sheet_with_a_title_is_passed_over(tmp_path):
    path = workbook(tmp_path, [["Report of the week"], ["by N. N."]], [["time [s]", "hot [degC]"], [0, 60.5]])
    assert read(path).columns["hot"].tolist() == [60.5]


def test_the_value_of_a_formula_is_read(tmp_path):
    path = tmp_path / "run.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["time [s]", "hot [degC]"])
        sheet.write(1, 0, 0)
        sheet.write_formula(1, 1, "=60+0.5", None, 60.5)
    assert read(path).columns["hot"].tolist() == [60.5]


def test_the_text_of_a_formula_is_told_as_such(tmp_path):
    path = tmp_path / "run.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["time [s]", "hot [degC]"])
        sheet.write(1, 0, 0)
        sheet.write_string(1, 1, "=60+0.5")
    with pytest.raises(UnreadableFile, match="the text of a formula") as caught:
        read(path)
    assert (caught.value.where.line, caught.value.where.column) == (2, "hot")


def test_a_date_in_a_number_column_is_named(tmp_path):
    with pytest.raises(UnreadableFile) as caught:
        read(workbook(tmp_path, [["time [s]", "hot [degC]"], [0, CLOCK]]))
    assert (caught.value.where.line, caught.value.where.column) == (2, "hot")
