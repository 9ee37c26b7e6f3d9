"""The curves of a long run are on the screen within a second, and a part of them sooner."""

from __future__ import annotations

import time

import numpy as np
import pytest

from lims.runs import traces

pytestmark = pytest.mark.bench
ROWS, CHANNELS = 1_000_000, 16


def test_a_million_rows_of_sixteen_channels_are_drawn_within_a_second(file_store) -> None:
    rng = np.random.default_rng(5)
    seconds = np.arange(ROWS) * 0.1
    curves = [
        traces.Curve(f"channel {n}", "temperature", "°C", np.cumsum(rng.normal(size=ROWS))) for n in range(CHANNELS)
    ]
    kept, _ = timed(lambda: traces.keep("ab" * 32, time=seconds, curves=curves))
    whole, drawing = timed(lambda: traces.drawing("ab" * 32, start=None, end=None, pixels=1280))
    part, detail = timed(lambda: traces.drawing("ab" * 32, start=50_000.0, end=50_100.0, pixels=1280))
    print(f"\nkept {kept * 1e3:.0f} ms, whole {whole * 1e3:.0f} ms, part {part * 1e3:.0f} ms")
    assert all(len(line["x"]) <= 2 * 1280 + 8 for line in drawing["data"])
    assert len(detail["data"][0]["x"]) == pytest.approx(1001, abs=3)
    for line, curve in zip(drawing["data"], curves, strict=True):
        assert max(line["y"]) == pytest.approx(float(curve.values.max()), rel=1e-5)
        assert min(line["y"]) == pytest.approx(float(curve.values.min()), rel=1e-5)
    assert whole < 1.0
    assert part < 0.5


def timed(act):
    """How long `act` keeps this process busy [s], and what it gives: others on the machine do not count."""
    begun = time.process_time()
    given = act()
    return time.process_time() - begun, given
