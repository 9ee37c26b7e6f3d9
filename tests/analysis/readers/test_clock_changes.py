"""Local time stamps on the nights on which clocks change.

The rule for the European Union: clocks go back at 03:00 summer time on the last Sunday of October and forward at 02:00
on the last Sunday of March (directive 2000/84/EC); in 2026 these are 25 October and 29 March.
"""

import pytest

import analysis
from analysis.errors import UnreadableFile

ZONE = {"rig": {"time_zone": "Europe/Vienna"}}


def read(tmp_path, *stamps, setup=None):
    path = tmp_path / "night.csv"
    path.write_text("time,hot [degC]\n" + "".join(f"{stamp},60\n" for stamp in stamps), encoding="utf-8")
    return analysis.read_run(path, setup=analysis.read_setup(ZONE if setup is None else setup))


def test_stamps_of_summer_and_winter_are_turned_into_universal_time(tmp_path):
    assert read(tmp_path, "2026-07-01T12:00:00").start.isoformat() == "2026-07-01T10:00:00+00:00"
    assert read(tmp_path, "2026-12-01T12:00:00").start.isoformat() == "2026-12-01T11:00:00+00:00"


def test_a_run_across_the_repeated_hour_is_refused_until_the_offset_is_given(tmp_path):
    with pytest.raises(UnreadableFile) as caught:
        read(tmp_path, "2026-10-25T01:59:59", "2026-10-25T02:00:00", "2026-10-25T03:00:00")
    assert "02:00-03:00 occurs twice on 2026-10-25 in Europe/Vienna: give the offset" in caught.value.message
    assert (caught.value.where.line, caught.value.where.column) == (3, "time")


def test_with_offsets_the_same_night_is_read(tmp_path):
    trace = read(tmp_path, "2026-10-25T02:59:59+02:00", "2026-10-25T02:00:00+01:00", "2026-10-25T02:00:01+01:00")
    assert trace.time.tolist() == [0.0, 1.0, 2.0]
    assert trace.time_problem == ""


def test_a_run_within_the_repeated_hour_keeps_its_times_but_not_its_start(tmp_path):
    trace = read(tmp_path, "2026-10-25T02:10:00", "2026-10-25T02:10:30")
    assert trace.time.tolist() == [0.0, 30.0]
    assert trace.start is None
    assert "occurs twice" in trace.time_problem


def test_a_run_that_jumps_back_within_the_repeated_hour_is_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="occurs twice"):
        read(tmp_path, "2026-10-25T02:59:59", "2026-10-25T02:00:00")


def test_a_run_across_the_missing_hour_is_refused_where_its_clock_did_not_change(tmp_path):
    with pytest.raises(UnreadableFile, match="02:00-03:00 does not exist on 2026-03-29"):
        read(tmp_path, "2026-03-29T01:59:59", "2026-03-29T02:00:00")


def test_a_run_across_the_missing_hour_is_read_where_its_clock_changed(tmp_path):
    assert read(tmp_path, "2026-03-29T01:59:59", "2026-03-29T03:00:00").time.tolist() == [0.0, 1.0]


def test_a_run_that_passes_over_the_repeated_hour_is_read(tmp_path):
    assert read(tmp_path, "2026-10-25T01:00:00", "2026-10-25T03:00:00").time.tolist() == [0.0, 3 * 3600.0]


def test_the_end_of_the_year_is_no_event(tmp_path):
    trace = read(tmp_path, "2026-12-31T23:59:59.5", "2027-01-01T00:00:00.5")
    assert trace.time.tolist() == [0.0, 1.0]
    assert trace.start.isoformat() == "2026-12-31T22:59:59.500000+00:00"


def test_without_a_zone_the_times_stand_but_the_start_is_not_known(tmp_path):
    trace = read(tmp_path, "2026-10-25T01:59:59", "2026-10-25T02:00:00", setup={})
    assert trace.time.tolist() == [0.0, 1.0]
    assert trace.start is None
    assert "no offset" in trace.time_problem


def test_a_half_hour_change_is_described_as_it_is(tmp_path):
    # Lord Howe Island goes back by half an hour, at 02:00 on the first Sunday of April (tz database).
    with pytest.raises(UnreadableFile, match="01:30-02:00 occurs twice on 2026-04-05"):
        read(
            tmp_path,
            "2026-04-05T01:00:00",
            "2026-04-05T01:45:00",
            setup={"rig": {"time_zone": "Australia/Lord_Howe"}},
        )
