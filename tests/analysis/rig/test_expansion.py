"""Expansion of the gap reading from bare heated runs."""

import numpy as np
import pytest

from analysis.errors import BadSetup
from analysis.rig import gap_expansion
from analysis.setup_reading import read_setup
from tests.analysis.rig.made import balance, errors, noise, setup

HOT = (35.0, 45.0, 60.0, 75.0)


def runs(seed, *, expansion=0.06, hot=HOT, wrong=None, size=0.03):
    """Bare heated runs: `expansion` in um/K; the reading starts at 6.3 um."""
    rng = np.random.default_rng(seed)
    drawn = errors(rng) if wrong is None else wrong
    made = []
    for number, t in enumerate(hot):
        run = balance(t, loss=0.1, wrong=drawn, rng=rng, number=number)
        warm = 0.5 * (t + 20.0 + 0.1 * (t - 20.0))
        run.columns["gap"][:] = 6.3 + expansion * (warm - 20.0) - drawn.get("gap", 0.0) + noise(rng, size)
        made.append(run)
    return made


def test_the_slope_is_the_expansion():
    # Closed form: reading = zero + expansion * (mean block temperature - 20).
    found = gap_expansion(runs(1, wrong={}, size=1e-4), setup()).figures["gap_expansion"]
    assert found.value == pytest.approx(0.06e-6, rel=1e-3)


def test_the_interval_holds_the_truth_in_about_95_of_100():
    held = []
    for seed in range(100):
        expansion = -0.1 + 0.002 * seed
        found = gap_expansion(runs(500 + seed, expansion=expansion), setup()).figures["gap_expansion"]
        held.append(abs(found.value - expansion * 1e-6) <= found.expanded)
    assert 90 <= sum(held) <= 100


def test_blocks_hardly_warmed_are_refused():
    found = gap_expansion(runs(2, hot=(40.0, 41.0, 42.0)), setup())
    assert found.figures == {}
    assert "at least 5 K" in found.flags[0].message


def test_a_setup_without_a_gap_channel_is_refused():
    bare = {"rig": {"area": "1000 mm^2"}, "channel": [{"column": "t", "quantity": "time"}]}
    with pytest.raises(BadSetup, match="channel of gap"):
        gap_expansion(runs(3), read_setup(bare))
