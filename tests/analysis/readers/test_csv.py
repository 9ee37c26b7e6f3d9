"""Text tables in every dialect: what is read, what is reported, and how each mistake is named."""

import hashlib

import numpy as np
import pytest

import analysis
from analysis.errors import AnalysisError, BadSetup, UnreadableFile
from analysis.readers.csv import pieces, reading

PLAIN = "time [s],hot [degC],cold [degC]\n0,60.5,25.25\n1,60.75,25\n2,61,-0.5\n"


def read(tmp_path, content, *, name="run.csv", setup=None):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return analysis.read_run(path, setup=analysis.read_setup(setup or {}))


def refusal(tmp_path, content, *, setup=None, kind=UnreadableFile):
    with pytest.raises(kind) as caught:
        read(tmp_path, content, setup=setup)
    return caught.value


def dialect(separator, decimal, end, encoding, bom):
    text = "\n".join(line.replace(",", "\x00").replace(".", decimal) for line in PLAIN.split("\n"))
    text = text.replace("\x00", separator).replace("degC", "°C").replace("\n", end)
    return (b"\xef\xbb\xbf" if bom else b"") + text.encode(encoding)


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize(("encoding", "bom"), [("utf-8", False), ("utf-8", True), ("cp1252", False)])
@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")])
def test_every_dialect_reads_the_same(tmp_path, separator, decimal, end, encoding, bom):
    trace = read(tmp_path, dialect(separator, decimal, end, encoding, bom))
    assert trace.time.tolist() == [0.0, 1.0, 2.0]
    assert trace.columns["hot"].tolist() == [60.5, 60.75, 61.0]
    assert trace.columns["cold"].tolist() == [25.25, 25.0, -0.5]
    assert dict(trace.units) == {"time": "s", "hot": "°C", "cold": "°C"}


def test_the_digest_is_that_of_the_whole_file(tmp_path):
    assert read(tmp_path, PLAIN).sha256 == hashlib.sha256(PLAIN.encode()).hexdigest()


def test_leading_blank_and_hash_lines_are_passed_over_and_kept_as_notes(tmp_path):
    trace = read(tmp_path, "\n# operator: N. N.\n#plain remark\n\n# room : 23 degC: by the door\n" + PLAIN)
    assert dict(trace.notes) == {"operator": "N. N.", "room": "23 degC: by the door"}
    assert trace.rows == 3


def test_quoted_cells_and_names_with_the_separator_are_read(tmp_path):
    trace = read(tmp_path, '"time [s]","hot [degC]","remark, if any"\n"0","60.5","a, b"\n1,60.75,"two\nlines"\n2,61,\n')
    assert trace.columns["hot"].tolist() == [60.5, 60.75, 61.0]
    assert trace.unread == ("remark, if any",)


def test_decimal_commas_in_quotes_between_commas_are_read(tmp_path):
    trace = read(tmp_path, 'time [s],hot [degC]\n"0,5","60,25"\n"1,5","60,5"\n')
    assert trace.time.tolist() == [0.5, 1.5]
    assert trace.columns["hot"].tolist() == [60.25, 60.5]


@pytest.mark.parametrize("cell", ["", " ", "NaN", "nan", "NA", '""'])
def test_a_missing_value_is_nan(tmp_path, cell):
    trace = read(tmp_path, f"time [s],hot [degC]\n0,60\n1,{cell}\n2,61\n")
    assert np.isnan(trace.columns["hot"][1])
    assert trace.columns["hot"][[0, 2]].tolist() == [60.0, 61.0]


@pytest.mark.parametrize("rows", ["0,60,\n1,61,\n", "0,60\n1,61\n", "0,60,\n1,61\n", "0,60\n1,61,\n"])
@pytest.mark.parametrize("header", ["time [s],hot [degC]", "time [s],hot [degC],"])
def test_trailing_separators_are_no_columns(tmp_path, header, rows):
    trace = read(tmp_path, f"{header}\n{rows}")
    assert trace.columns["hot"].tolist() == [60.0, 61.0]


def test_spaces_around_cells_are_no_part_of_them(tmp_path):
    trace = read(tmp_path, "time [s] , hot [degC]\n 0 , 60.5 \n 1 , NA \n")
    assert trace.columns["hot"][0] == 60.5
    assert np.isnan(trace.columns["hot"][1])


def test_blank_lines_between_rows_and_at_the_end_are_no_rows(tmp_path):
    trace = read(tmp_path, "time [s],hot [degC]\n0,60\n\n1,61\n\n\n")
    assert trace.time.tolist() == [0.0, 1.0]
    assert trace.undated == 0


def test_numbers_may_carry_signs_and_exponents(tmp_path):
    trace = read(tmp_path, "time [s],hot [degC]\n0,+1.5e1\n1,-.5\n2,5.\n3,1E-3\n")
    assert trace.columns["hot"].tolist() == [15.0, -0.5, 5.0, 0.001]


def test_whole_numbers_in_the_first_rows_do_not_hide_decimal_commas_in_later_ones(tmp_path):
    rows = "".join(f"{second};60;25\n" for second in range(100))
    trace = read(tmp_path, f"time [s];hot [degC];cold [degC]\n{rows}100;60,5;25\n")
    assert trace.rows == 101
    assert trace.columns["hot"][-1] == 60.5


def test_columns_the_setup_does_not_use_are_kept_by_name_only(tmp_path):
    trace = read(tmp_path, "time [s],hot [degC],who\n0,60,me\n1,61,you\n")
    assert set(trace.columns) == {"hot"}
    assert trace.unread == ("who",)


def test_arrays_of_a_trace_cannot_be_written_to(tmp_path):
    trace = read(tmp_path, PLAIN)
    with pytest.raises(ValueError, match="read-only"):
        trace.columns["hot"][0] = 0.0
    with pytest.raises(ValueError, match="read-only"):
        trace.time[0] = 0.0


# mistakes, each by its line and column -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "line", "column", "words"),
    [
        ("time [s],hot [degC]\n0,60\n1,hello\n", 3, "hot", "expected a number, found 'hello'"),
        ("# note: x\n\ntime [s],hot [degC]\n0,60\n\n1,61\n2,6x\n", 7, "hot", "found '6x'"),
        ("time [s],hot [degC]\n0,60\nx,61\n", 3, "time", "found 'x'"),
        ("time [s],hot [degC]\nx,61\n", 2, "time", "found 'x'"),
        ("time [s],hot [degC]\n0,inf\n", 2, "hot", "found 'inf'"),
        ("time [s],hot [degC]\n0,1e999\n", 2, "hot", "found '1e999'"),
        ("time [s],hot [degC]\n0,1_000\n", 2, "hot", "found '1_000'"),
        ("time [s],hot [degC]\n0,60\n1\n2,61\n", 3, "hot", "expected 2 cells as in the header, found 1"),
        ("time [s],hot [degC]\n0,60\n1,61,62\n", 3, "hot", "expected 2 cells as in the header, found 3"),
        ("time [s],hot [degC]\n0,60,5\n1,60,6\n", 2, "hot", "expected 2 cells"),
        ("time [s],hot [degC]\n[s],[degC]\n0,60\n", 2, "time", "found '[s]'"),
        ("time [s],hot [degC]\ntime [s],hot [degC]\n0,60\n", 2, "time", "found 'time [s]'"),
        ("time [s],hot [degC],hot [degC]\n0,60,61\n", 1, "hot", "names this column twice"),
        ("0,60\n1,61\n", 1, "", "expected a header"),
        ('time [s],hot [degC]\n0,"1,234.5"\n', 2, "hot", "grouped thousands"),
        ("time [s];hot [degC]\n0;1.234,5\n", 2, "hot", "grouped thousands"),
        ("time [s];hot [degC]\n0;60,5\n1;1.234\n", 3, "hot", "mixed decimal signs"),
        ("time [s];hot [degC]\n0;60.5\n1;61,5\n", 3, "hot", "mixed decimal signs"),
        ("time [s],hot [degC]\n# end: now\n", 2, "", "expected 2 cells"),
    ],
)
def test_a_mistake_is_named_by_line_and_column(tmp_path, content, line, column, words):
    error = refusal(tmp_path, content)
    assert (error.where.file, error.where.line) == ("run.csv", line)
    assert not column or error.where.column == column
    assert words in error.message


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\n\n \n", "blank lines"),
        (b"# only: notes\n", "header"),
        (b"time [s],hot [degC]\n", "no row"),
        (b"time [s],hot [degC]\n,60\n", "no row with a time"),
        (bytes(range(256)) * 20, "binary"),
        (b"time,hot\n0,\x0060\n", "binary"),
        (b"\x89PNG\r\n\x1a\n" + bytes(50), "picture"),
        (b"\x1f\x8b\x08" + bytes(50), "gzip"),
        (b"PK\x03\x04" + bytes(50), "damaged"),
        ("time,hot\n0,60\n".encode("utf-16"), "UTF-16"),
        (b"time,hot\r0,60\r", "carriage return"),
        (b"time,h\x81t\n0,60\n", "neither UTF-8 nor Windows-1252"),
    ],
)
def test_what_is_no_table_is_refused_with_the_reason(tmp_path, content, words):
    error = refusal(tmp_path, content)
    assert words in error.message
    assert error.where.file == "run.csv"


def test_a_file_without_a_time_column_is_refused_naming_its_columns(tmp_path):
    error = refusal(tmp_path, "hot [degC],cold [degC]\n60,25\n", kind=BadSetup)
    assert "hot, cold" in error.message


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(UnreadableFile, match=r"none\.csv: there is no such file"):
        analysis.read_run(tmp_path / "none.csv")


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="folder"):
        analysis.read_run(tmp_path)


def test_a_last_line_cut_short_while_it_was_written_is_left_out_and_counted(tmp_path):
    trace = read(tmp_path, "time [s],hot [degC],cold [degC]\n0,60,25\n1,61,25\n2,6")
    assert trace.time.tolist() == [0.0, 1.0]
    assert trace.incomplete == 1


# the time axis -------------------------------------------------------------------------------------------------------


def test_rows_out_of_order_are_sorted_and_counted(tmp_path):
    trace = read(tmp_path, "time [s],hot [degC]\n0,60\n3,63\n1,61\n2,62\n")
    assert trace.time.tolist() == [0.0, 1.0, 2.0, 3.0]
    assert trace.columns["hot"].tolist() == [60.0, 61.0, 62.0, 63.0]
    assert (trace.unsorted, trace.repeated) == (2, 0)


def test_of_repeated_instants_the_last_row_stays(tmp_path):
    trace = read(tmp_path, "time [s],hot [degC]\n0,60\n1,61\n1,99\n0,50\n")
    assert trace.time.tolist() == [0.0, 1.0]
    assert trace.columns["hot"].tolist() == [50.0, 99.0]
    assert (trace.unsorted, trace.repeated) == (1, 2)


def test_a_row_without_a_time_is_dropped_and_counted(tmp_path):
    trace = read(tmp_path, "time [s],hot [degC]\n0,60\n,61\nNA,\n2,62\n")
    assert trace.time.tolist() == [0.0, 2.0]
    assert trace.undated == 1


def test_a_time_in_minutes_becomes_seconds(tmp_path):
    assert read(tmp_path, "time [min],hot [degC]\n0,60\n0.5,61\n").time.tolist() == [0.0, 30.0]


def test_a_note_of_the_start_dates_a_time_in_seconds(tmp_path):
    trace = read(tmp_path, "# start: 2026-03-01T09:30:00+01:00\n" + PLAIN)
    assert trace.start is not None
    assert trace.start.isoformat() == "2026-03-01T08:30:00+00:00"


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("2026-03-01T09:30:00+01:00", "2026-03-01T09:30:01.5+01:00"),
        ("2026-03-01 09:30:00+0100", "2026-03-01 09:30:01.500+0100"),
        ("2026-03-01T08:30:00Z", "2026-03-01T08:30:01.500000Z"),
        ("2026-03-01T09:30:00+01:00", "2026-03-01T08:30:01.5Z"),
        ("2026-03-01T09:30+01:00", "2026-03-01T09:30:01.5+01:00"),
    ],
)
def test_stamps_with_an_offset_are_instants(tmp_path, first, second):
    trace = read(tmp_path, f"time,hot [degC]\n{first},60\n{second},61\n")
    assert trace.time.tolist() == [0.0, 1.5]
    assert trace.start is not None
    assert trace.start.isoformat() == "2026-03-01T08:30:00+00:00"


def test_decimal_commas_in_stamps_and_numbers_are_read(tmp_path):
    trace = read(tmp_path, "time;hot [degC]\n2026-03-01T09:30:00,0Z;60,5\n2026-03-01T09:30:00,5Z;61,5\n")
    assert trace.time.tolist() == [0.0, 0.5]
    assert trace.columns["hot"].tolist() == [60.5, 61.5]


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        ("time,hot [degC]\n2026-03-01T09:30:00Z,60\n2026-03-01T09:30:01,61\n", 3, "some stamps carry an offset"),
        ("time,hot [degC]\n2026-03-01T09:30:00Z,60\n2026-13-01T09:30:01Z,61\n", 3, "2026-13-01"),
        ("time,hot [degC]\n2026-03-01T09:30:00Z,60\n17,61\n", 3, "found '17'"),
        ("time,hot [degC]\n17,60\n2026-03-01T09:30:00Z,61\n", 3, "found '2026-03-01T09:30:00Z'"),
        ("time,hot [degC]\n01.03.2026 09:30,60\n", 2, "found '01.03.2026 09:30'"),
    ],
)
def test_a_time_that_is_none_is_named_by_its_line(tmp_path, content, line, words):
    error = refusal(tmp_path, content)
    assert (error.where.line, error.where.column) == (line, "time")
    assert words in error.message


# pieces, children ----------------------------------------------------------------------------------------------------


@pytest.fixture
def small_pieces(monkeypatch):
    monkeypatch.setattr(pieces, "PIECE", 4096)
    monkeypatch.setattr(pieces, "_TAIL", 512)


def long_table(rows=3000, note='"a, b"'):
    body = "".join(f"{second},{60 + second / 7:.6f},{note},{second % 13}\n" for second in range(rows))
    return "time [s],hot [degC],remark,cold [degC]\n" + body


@pytest.mark.usefixtures("small_pieces")
@pytest.mark.parametrize("note", ["x", '"a, b"', '"two\nlines"'])
def test_a_file_read_in_pieces_is_the_file_read_whole(tmp_path, note):
    content = long_table(note=note)
    trace = read(tmp_path, content)
    assert trace.time.tolist() == list(range(3000))
    np.testing.assert_array_equal(trace.columns["hot"], np.round(60 + np.arange(3000) / 7, 6))
    assert trace.columns["cold"].tolist() == [second % 13 for second in range(3000)]
    assert trace.sha256 == hashlib.sha256(content.encode()).hexdigest()


@pytest.mark.usefixtures("small_pieces")
@pytest.mark.parametrize("note", ["x", '"a, b"', '"two\nlines"'])
def test_a_mistake_in_a_late_piece_is_named_by_its_line(tmp_path, note):
    lines = 2 if "\n" in note else 1
    content = long_table(note=note).replace("2500,417.142857", "2500,wrong")
    error = refusal(tmp_path, content)
    assert (error.where.line, error.where.column) == (2 + 2500 * lines, "hot")


@pytest.mark.usefixtures("small_pieces")
def test_a_quote_that_never_closes_is_refused(tmp_path):
    error = refusal(tmp_path, long_table(note='"open'))
    assert error.where.file == "run.csv"


def test_a_large_file_is_held_as_float32_but_its_time_is_not(tmp_path, monkeypatch):
    monkeypatch.setattr("analysis.tables.LARGE_BYTES", 10)
    trace = read(tmp_path, PLAIN)
    assert trace.columns["hot"].dtype == np.float32
    assert trace.time.dtype == np.float64
    assert trace.columns["hot"].tolist() == [60.5, 60.75, 61.0]


def test_a_file_with_more_cells_than_can_be_held_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("analysis.tables.MAX_CELLS", 5)
    assert "split the run" in refusal(tmp_path, PLAIN).message


def test_the_careful_way_reads_what_the_fast_way_reads(tmp_path, monkeypatch):
    content = long_table(200) + "200,,x,\n201,NaN,x,NA\n"
    fast = read(tmp_path, content)
    monkeypatch.setattr(reading, "may_use_polars", lambda: False)
    careful = read(tmp_path, content)
    for name in ("hot", "cold"):
        np.testing.assert_array_equal(fast.columns[name], careful.columns[name])


@pytest.mark.parametrize("content", [PLAIN[:-1], PLAIN, PLAIN + "\n"])
def test_the_end_of_the_last_line_does_not_matter(tmp_path, content):
    assert read(tmp_path, content).rows == 3


def test_an_error_is_one_of_ours(tmp_path):
    assert isinstance(refusal(tmp_path, "time,hot\n0,x\n"), AnalysisError)
