"""TDMS recordings, written here by npTDMS, the library that other programs read them with as well."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from nptdms import ChannelObject, GroupObject, RootObject, TdmsWriter

import analysis
from analysis.errors import AnalysisError, UnreadableFile

START = np.datetime64("2026-03-01T08:30:00")
HOT = np.array([60.0, 60.5, np.nan, 61.5])


def recording(tmp_path, *segments, name="run.tdms"):
    path = tmp_path / name
    with TdmsWriter(str(path)) as writer:
        for segment in segments:
            writer.write_segment(segment)
    return path


def waveform(name, values, unit="degC", **more):
    properties = {"unit_string": unit, "wf_increment": 0.5, "wf_start_offset": 0.0, "wf_start_time": START, **more}
    return ChannelObject("run", name, np.asarray(values), properties)


def test_a_waveform_tells_its_times_its_units_and_its_start(tmp_path):
    trace = analysis.read_run(recording(tmp_path, [waveform("hot", HOT), waveform("power", [1, 2, 3, 4], unit="W")]))
    assert trace.time.tolist() == [0.0, 0.5, 1.0, 1.5]
    np.testing.assert_array_equal(trace.columns["hot"], HOT)
    assert trace.columns["power"].tolist() == [1.0, 2.0, 3.0, 4.0]
    assert (trace.units["hot"], trace.units["power"]) == ("degC", "W")
    assert trace.start.isoformat() == "2026-03-01T08:30:00+00:00"


def test_segments_are_laid_end_to_end(tmp_path):
    path = recording(tmp_path, [waveform("hot", HOT)], [waveform("hot", HOT + 1.0)])
    assert analysis.read_run(path).rows == 8


def test_a_channel_of_seconds_goes_before_the_waveform(tmp_path):
    path = recording(tmp_path, [ChannelObject("run", "time [s]", np.array([0.0, 2.0, 4.0, 6.0])), waveform("hot", HOT)])
    assert analysis.read_run(path).time.tolist() == [0.0, 2.0, 4.0, 6.0]


def test_a_channel_of_stamps_gives_instants(tmp_path):
    stamps = START + np.array([0, 1500, 2500, 4000]).astype("timedelta64[ms]")
    path = recording(tmp_path, [ChannelObject("run", "time", stamps), ChannelObject("run", "hot [degC]", HOT)])
    trace = analysis.read_run(path)
    assert trace.time.tolist() == [0.0, 1.5, 2.5, 4.0]
    assert trace.start.isoformat() == "2026-03-01T08:30:00+00:00"


def test_the_first_group_with_values_is_read_and_the_others_are_told(tmp_path):
    other = ChannelObject("later", "hot", HOT)
    path = recording(tmp_path, [GroupObject("empty")], [waveform("hot", HOT)], [other])
    trace = analysis.read_run(path)
    assert trace.rows == 4
    assert trace.notes["groups not read"] == "later"


def test_what_the_file_says_of_itself_is_kept(tmp_path):
    root, group = RootObject({"operator": "N. N."}), GroupObject("run", {"rig": "north"})
    trace = analysis.read_run(recording(tmp_path, [root, group, waveform("hot", HOT)]))
    assert (trace.notes["operator"], trace.notes["rig"]) == ("N. N.", "north")


def test_a_recording_reduces_to_the_figures_of_the_same_numbers(tmp_path):
    rng = np.random.default_rng(3)
    columns = {
        "power [W]": 100.0 + 0.01 * rng.normal(size=600),
        "hot [degC]": 60.0 + 0.01 * rng.normal(size=600),
        "cold [degC]": 50.0 + 0.01 * rng.normal(size=600),
    }
    channels = []
    for heading, values in columns.items():
        name, unit = heading.rstrip("]").split(" [")
        channels.append(waveform(name, values, unit=unit, wf_increment=1.0))
    setup = {"rig": {"area": "1000 mm^2"}}
    found = analysis.reduce(recording(tmp_path, channels), setup=setup)
    same = analysis.reduce({"time [s]": np.arange(600.0), **columns}, setup=setup)
    for key, figure in same.figures.items():
        assert found.figures[key].value == pytest.approx(figure.value, rel=1e-12)
        assert found.figures[key].u == pytest.approx(figure.u, rel=1e-9)


def test_channels_of_unlike_length_are_refused_by_name(tmp_path):
    with pytest.raises(UnreadableFile, match="equally long") as caught:
        analysis.read_run(recording(tmp_path, [waveform("hot", HOT), waveform("cold", HOT[:2])]))
    assert caught.value.where.column == "cold"


def test_texts_in_a_channel_are_refused_by_name(tmp_path):
    texts = ChannelObject("run", "cold", np.array(["a", "b", "c", "d"]), {"wf_increment": 1.0})
    with pytest.raises(UnreadableFile, match="expected numbers") as caught:
        analysis.read_run(recording(tmp_path, [waveform("hot", HOT), texts]))
    assert caught.value.where.column == "cold"


def test_an_infinite_reading_is_named_by_its_row(tmp_path):
    with pytest.raises(UnreadableFile) as caught:
        analysis.read_run(recording(tmp_path, [waveform("hot", [1.0, np.inf, 2.0])]))
    assert (caught.value.where.line, caught.value.where.column) == (2, "hot")


def test_a_recording_without_values_is_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="no group"):
        analysis.read_run(recording(tmp_path, [GroupObject("run")]))


def test_a_recording_without_any_time_is_refused(tmp_path):
    with pytest.raises(AnalysisError, match="time"):
        analysis.read_run(recording(tmp_path, [ChannelObject("run", "hot [degC]", HOT)]))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    path = recording(tmp_path_factory.mktemp("whole"), [waveform("hot", HOT), waveform("cold", HOT)])
    return path.read_bytes()


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=400)
@given(data=st.data())
def test_a_spoiled_recording_gives_an_answer_or_a_named_error(tmp_path, whole, data):
    spoiled = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(4, len(spoiled) - 1))
        extra = data.draw(st.binary(min_size=1, max_size=8))
        kind = data.draw(st.sampled_from(["replace", "insert", "cut"]))
        if kind == "replace":
            spoiled[at : at + len(extra)] = extra
        elif kind == "insert":
            spoiled[at:at] = extra
        else:
            del spoiled[max(at, 5) :]
    path = tmp_path / "run.tdms"
    path.write_bytes(bytes(spoiled))
    try:
        trace = analysis.read_run(path)
    except AnalysisError:
        return
    assert all(column.shape == trace.time.shape for column in trace.columns.values())
