"""Curves for the screen: thinned without losing an extreme, read in parts, gaps kept as gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lims.runs import traces

KEY = "cd" * 32


@given(st.integers(1, 4000), st.integers(1, 300), st.integers(0, 9))
def test_no_extreme_is_lost_and_no_more_points_are_kept_than_asked(rows: int, buckets: int, seed: int) -> None:
    time = np.arange(rows, dtype=float)
    values = np.random.default_rng(seed).normal(size=rows)
    x, y = traces.thinned(time, values, buckets=buckets)
    assert y.max() == values.max()
    assert y.min() == values.min()
    assert len(x) <= 2 * buckets + 2
    assert (np.diff(x) > 0).all()
    assert (x[0], x[-1]) == (time[0], time[-1])
    assert np.isin(np.column_stack([x, y]).view(complex), np.column_stack([time, values]).view(complex)).all()


def test_each_bucket_keeps_its_own_extremes() -> None:
    values = np.zeros(1000)
    values[[123, 777]] = 5.0, -5.0
    x, y = traces.thinned(np.arange(1000.0), values, buckets=100)
    assert 5.0 in y[x == 123]
    assert -5.0 in y[x == 777]


def test_missing_readings_do_not_hide_the_others() -> None:
    values = np.full(1000, np.nan)
    values[500] = 3.0
    _, y = traces.thinned(np.arange(1000.0), values, buckets=10)
    assert np.nanmax(y) == 3.0


def test_curves_come_back_in_panels_of_one_quantity_each(file_store) -> None:
    time = np.arange(200_000) * 0.5
    curves = [
        traces.Curve("hot", "temperature", "°C", 30 + time * 0),
        traces.Curve("cold", "temperature", "°C", 25 + time * 0),
        traces.Curve("gap", "gap", "µm", np.where(time < 10, np.nan, 50.0)),
    ]
    assert not traces.kept(KEY)
    traces.keep(KEY, time=time, curves=curves)
    assert traces.kept(KEY)
    drawing = traces.drawing(KEY, start=None, end=None, pixels=500, marks=[{"start": 5, "end": 9, "words": "settled"}])
    assert [line["yaxis"] for line in drawing["data"]] == ["y", "y", "y2"]
    assert [line["legend"] for line in drawing["data"]] == ["legend", "legend", "legend2"]
    assert [words["text"] for words in drawing["layout"]["annotations"][1:]] == [
        "temperature / °C",
        "gap / µm",
    ]
    assert drawing["layout"]["shapes"][0]["x1"] == 9
    part = traces.drawing(KEY, start=60_000.0, end=60_010.0, pixels=500)["data"][0]
    assert part["x"][0] == pytest.approx(60_000.0, abs=0.5)
    assert part["x"][-1] == pytest.approx(60_010.0, abs=0.5)
    beginning = traces.drawing(KEY, start=0.0, end=20.0, pixels=500)["data"][2]
    assert beginning["y"][0] is None
    assert beginning["y"][-1] == 50.0


def test_other_channels_or_bytes_have_another_key() -> None:
    setup = {"channel": [{"column": "hot", "gain": 1.0}], "rig": {}}
    other = {"channel": [{"column": "hot", "gain": 1.01}], "rig": {}}
    assert traces.key_of({"run": "a"}, setup) == traces.key_of({"run": "a", "zero": "z"}, setup)
    keys = {traces.key_of({"run": run}, made) for run in "ab" for made in (setup, other)}
    assert len(keys) == 4
