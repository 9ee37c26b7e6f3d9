"""Parquet tables: types, time stamps, units in names or metadata, damage."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import analysis
from analysis.errors import UnreadableFile

CLOCK = datetime(2026, 3, 1, 9, 30)  # noqa: DTZ001 - what the rig's clock showed


def written(tmp_path, columns, *, name="run.parquet", schema=None, **options):
    path = tmp_path / name
    pq.write_table(pa.table(columns, schema=schema), path, **options)
    return path


def read(path, setup=None):
    return analysis.read_run(path, setup=analysis.read_setup(setup or {}))


def test_numbers_of_all_kinds_and_nulls_are_read(tmp_path):
    columns = {
        "time [s]": pa.array([0, 1, 2], pa.int32()),
        "hot [degC]": pa.array([60.5, None, 61.5], pa.float32()),
        "cold [degC]": pa.array([25, 26, None], pa.int64()),
        "remark": ["a", "b", None],
    }
    trace = read(written(tmp_path, columns))
    np.testing.assert_array_equal(trace.columns["hot"], [60.5, np.nan, 61.5])
    np.testing.assert_array_equal(trace.columns["cold"], [25.0, 26.0, np.nan])
    assert trace.unread == ("remark",)


def test_the_unit_may_stand_in_the_metadata_of_the_column(tmp_path):
    schema = pa.schema(
        [pa.field("time", pa.float64()), pa.field("hot", pa.float64(), metadata={"unit": "degC"})],
        metadata={"operator": "N. N."},
    )
    trace = read(written(tmp_path, {"time": [0.0], "hot": [60.0]}, schema=schema))
    assert trace.units["hot"] == "degC"
    assert dict(trace.notes) == {"operator": "N. N."}


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_stamps_with_a_zone_are_instants(tmp_path, unit):
    start = datetime(2026, 3, 1, 8, 30, tzinfo=UTC)
    stamps = pa.array([start, start + timedelta(seconds=2)], pa.timestamp(unit, "Europe/Vienna"))
    trace = read(written(tmp_path, {"time": stamps, "hot [degC]": [60.0, 61.0]}))
    assert trace.time.tolist() == [0.0, 2.0]
    assert trace.start == start


def test_stamps_without_a_zone_are_clock_times_of_the_rig(tmp_path):
    stamps = pa.array([CLOCK, None], pa.timestamp("us"))
    trace = read(
        written(tmp_path, {"time": stamps, "hot [degC]": [60.0, 61.0]}), {"rig": {"time_zone": "Europe/Vienna"}}
    )
    assert trace.start == datetime(2026, 3, 1, 8, 30, tzinfo=UTC)
    assert (trace.rows, trace.undated) == (1, 1)


def test_many_row_groups_are_one_table(tmp_path):
    columns = {"time [s]": np.arange(5000.0), "hot [degC]": np.arange(5000.0) / 7}
    trace = read(written(tmp_path, columns, row_group_size=700))
    np.testing.assert_array_equal(trace.columns["hot"], np.arange(5000.0) / 7)


@pytest.mark.parametrize("column", ["time [s]", "hot [degC]"])
def test_a_text_column_is_named(tmp_path, column):
    columns = {"time [s]": [0.0], "hot [degC]": [60.0]} | {column: ["x"]}
    with pytest.raises(UnreadableFile) as caught:
        read(written(tmp_path, columns))
    assert caught.value.where.column == column.split()[0]


def test_an_infinite_value_is_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="inf"):
        read(written(tmp_path, {"time [s]": [0.0], "hot [degC]": [np.inf]}))


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_file_cut_short_is_refused(tmp_path, share):
    path = written(tmp_path, {"time [s]": np.arange(500.0), "hot [degC]": np.arange(500.0)})
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(UnreadableFile, match="Parquet"):
        read(path)


def test_a_table_of_more_cells_than_can_be_held_is_refused_by_its_head(tmp_path, monkeypatch):
    monkeypatch.setattr("analysis.tables.MAX_CELLS", 5)
    with pytest.raises(UnreadableFile, match="split the run"):
        read(written(tmp_path, {"time [s]": [0.0, 1.0, 2.0], "hot [degC]": [1.0, 2.0, 3.0]}))
