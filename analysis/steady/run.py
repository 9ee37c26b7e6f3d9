"""A run made ready: its channels without wild rows, and the block means that levels and slopes are found in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from analysis.channels import calibrate
from analysis.errors import BadSetup, Where
from analysis.results import Array, Trace
from analysis.setup import RigSetup
from analysis.steady.blocks import Grid, make_grid, make_signals, mean_blocks, summed_blocks
from analysis.steady.window import Signals


@dataclass(frozen=True, slots=True)
class Run:
    """One run: `levels` are block means by quantity, shape (grid.size,), the heater powers summed, others averaged."""

    trace: Trace
    setup: RigSetup
    signals: Signals
    grid: Grid
    levels: dict[str, Array]

    @property
    def time(self) -> Array:
        return self.trace.time

    @property
    def start(self) -> datetime | None:
        return self.trace.start

    def rise(self) -> Array:
        """Temperature rise in blocks, sensor to sensor [K]."""
        rise: Array = self.levels["hot_temperature"] - self.levels["cold_temperature"]
        return rise


_WATCHED = ("heater_power", "hot_temperature", "cold_temperature", "coolant_in", "gap", "force")


def make_run(trace: Trace, *, setup: RigSetup) -> Run:
    """The run's channels as the setup says; BadSetup where one the method needs has no reading at all."""
    if trace.rows < 2:
        raise BadSetup(f"{trace.file} has {trace.rows} rows; a run needs at least two", where=Where(file=trace.file))
    signals = make_signals(calibrate(trace, setup=setup))
    grid = make_grid(trace.time, window=setup.min_duration)
    levels: dict[str, Array] = {}
    for quantity in _WATCHED:
        members = signals.get(quantity, ())
        if members:
            together = summed_blocks if quantity == "heater_power" else mean_blocks
            blocks = together(members, grid.edges)
            if np.isfinite(blocks).all():
                levels[quantity] = blocks
    for quantity in ("hot_temperature", "cold_temperature"):
        if quantity not in levels:
            raise BadSetup(f"{trace.file} has no reading of {quantity}", where=Where(file=trace.file))
    return Run(trace, setup, signals, grid, levels)
