"""Random tables in every dialect read back equal; a spoiled file gives an answer or a named error, never a crash."""

import csv
import io
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import analysis
from analysis.errors import AnalysisError
from analysis.readers.csv import pieces, reading

SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)

numbers = st.floats(-1e9, 1e9).map(lambda value: float(f"{value:.9g}")) | st.integers(-(10**6), 10**6).map(float)
cells = st.none() | numbers
texts = st.text(st.characters(codec="cp1252", exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=12)


@st.composite
def tables(draw):
    rows = draw(st.integers(1, 12))
    times = draw(st.lists(st.integers(0, 10**6), min_size=rows, max_size=rows, unique=True))
    columns = draw(st.lists(st.lists(cells, min_size=rows, max_size=rows), min_size=1, max_size=4))
    remarks = draw(st.lists(texts, min_size=rows, max_size=rows))
    return sorted(times), columns, remarks


@st.composite
def dialects(draw):
    separator, decimal = draw(st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]))
    return {
        "separator": separator,
        "decimal": decimal,
        "end": draw(st.sampled_from(["\n", "\r\n"])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252"])),
        "missing": draw(st.sampled_from(["", "NaN", "NA"])),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        "notes": draw(st.sampled_from(["", "# operator: N. N.\n", "\n# a remark\n\n"])),
        "last": draw(st.booleans()),
    }


def written(table, dialect):
    times, columns, remarks = table

    def cell(value):
        return dialect["missing"] if value is None else repr(value).replace(".", dialect["decimal"])

    out = io.StringIO()
    writer = csv.writer(out, delimiter=dialect["separator"], quoting=dialect["quoting"], lineterminator=dialect["end"])
    writer.writerow(["time [s]", *(f"hot {number + 1} [°C]" for number in range(len(columns))), "remark"])
    for row, time in enumerate(times):
        writer.writerow([time, *(cell(column[row]) for column in columns), remarks[row]])
    text = dialect["notes"].replace("\n", dialect["end"]) + out.getvalue()
    return (text if dialect["last"] else text.rstrip("\r\n")).encode(dialect["encoding"])


def check(path, table):
    times, columns, _ = table
    trace = analysis.read_run(path)
    assert trace.time.tolist() == [float(time) for time in times]
    for number, column in enumerate(columns, start=1):
        expected = np.array([math.nan if value is None else value for value in column])
        np.testing.assert_array_equal(trace.columns[f"hot {number}"], expected)
    assert trace.undated == 0
    assert trace.incomplete == 0


@SLOW
@given(table=tables(), dialect=dialects())
def test_a_random_table_reads_back_equal_in_every_dialect(tmp_path, table, dialect):
    path = tmp_path / "run.csv"
    path.write_bytes(written(table, dialect))
    check(path, table)


@SLOW
@given(table=tables(), dialect=dialects())
def test_the_careful_way_reads_it_back_equal_too(tmp_path, table, dialect):
    path = tmp_path / "run.csv"
    path.write_bytes(written(table, dialect))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "may_use_polars", lambda: False)
        check(path, table)


@SLOW
@given(table=tables(), dialect=dialects(), size=st.integers(40, 200))
def test_a_random_table_reads_back_equal_in_pieces(tmp_path, table, dialect, size):
    path = tmp_path / "run.csv"
    path.write_bytes(written(table, dialect))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pieces, "PIECE", size)
        patch.setattr(pieces, "_TAIL", 20)
        check(path, table)


def spoiled(data, kind, place, extra):
    at = place % (len(data) + 1)
    if kind == "cut":
        return data[:at]
    if kind == "insert":
        return data[:at] + extra + data[at:]
    if kind == "delete":
        return data[:at] + data[at + len(extra) :]
    return data[:at] + extra + data[at + len(extra) :]


changes = st.lists(
    st.tuples(
        st.sampled_from(["cut", "insert", "delete", "replace"]),
        st.integers(0, 10**6),
        st.binary(min_size=1, max_size=4)
        | st.sampled_from([b'"', b"\n", b",", b";", b"\r", b".", b"\x00", b"#", b"[", b"NA"]),
    ),
    min_size=1,
    max_size=4,
)


def answers(path):
    try:
        trace = analysis.read_run(path)
    except AnalysisError:
        return
    assert bool((np.diff(trace.time) > 0).all())
    assert all(column.shape == trace.time.shape for column in trace.columns.values())


@SLOW
@given(table=tables(), dialect=dialects(), changes=changes)
def test_a_spoiled_text_table_gives_an_answer_or_a_named_error(tmp_path, table, dialect, changes):
    data = written(table, dialect)
    for kind, place, extra in changes:
        data = spoiled(data, kind, place, extra)
    path = tmp_path / "run.csv"
    path.write_bytes(data)
    answers(path)


@pytest.fixture(scope="module", params=["xlsx", "parquet"])
def binary(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("whole") / f"run.{request.param}"
    if request.param == "xlsx":
        import xlsxwriter

        with xlsxwriter.Workbook(str(path)) as book:
            sheet = book.add_worksheet()
            for number, row in enumerate([["time [s]", "hot [degC]"], [0, 60.5], [1, 61.5]]):
                sheet.write_row(number, 0, row)
    else:
        import pyarrow as pa
        import pyarrow.parquet as pq

        pq.write_table(pa.table({"time [s]": [0.0, 1.0], "hot [degC]": [60.5, 61.5]}), path)
    return path.read_bytes()


@SLOW
@given(changes=changes)
def test_a_spoiled_binary_table_gives_an_answer_or_a_named_error(tmp_path, binary, changes):
    data = binary
    for kind, place, extra in changes:
        data = spoiled(data, kind, place, extra)
    path = tmp_path / "run.bin"
    path.write_bytes(data)
    answers(path)


@SLOW
@given(data=st.binary(max_size=300))
def test_any_bytes_give_an_answer_or_a_named_error(tmp_path, data):
    path = tmp_path / "run.csv"
    path.write_bytes(data)
    answers(path)
