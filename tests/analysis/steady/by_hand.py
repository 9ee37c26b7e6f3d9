"""Traces made of plain numbers, so that what must come out can be worked out on paper."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.results import Trace
from analysis.setup import RigSetup
from analysis.setup_reading import read_setup

ROWS = 600


def trace(values: Mapping[str, float], *, noise: float = 0.0, rows: int = ROWS, start=None, name="run.csv") -> Trace:
    """A run at rest: each column, headed `name [unit]`, holds its value, with white noise where asked for."""
    rng = np.random.default_rng(1)
    columns, units = {}, {}
    for head, value in values.items():
        column, unit = head.rstrip("]").split(" [")
        columns[column] = value + noise * rng.normal(size=rows)
        units[column] = unit
    return Trace(name, name, np.arange(float(rows)), columns, units, start=start)


def setup(rig: Mapping[str, object], channels: Mapping[str, tuple[str, Mapping[str, object]]], **tables) -> RigSetup:
    """A setup from the rig's table and the channels as column: (quantity, further keys)."""
    listed = [{"column": column, "quantity": quantity, **more} for column, (quantity, more) in channels.items()]
    return read_setup({"rig": {"area": "1000 mm^2", **rig}, "channel": listed, **tables})
