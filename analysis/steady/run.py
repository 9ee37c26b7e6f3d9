"""A run made ready: its channels without wild rows, and the block means that levels and slopes are found in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from analysis.channels import calibrate
from analysis.errors import BadSetup, Where
from analysis.results import Array, Trace
from analysis.setup import RigSetup
from analysis.steady.blocks import Grid, bridged, make_grid, make_signals
from analysis.steady.window import Signals


@dataclass(frozen=True, slots=True)
class Run:
    """One run: `levels` are block means by quantity, shape (grid.size,), the heater powers summed, others averaged."""

    trace: Trace
    setup: RigSetup
    signals: Signals
    grid: Grid
    levels: dict[str, Array]
    heaters: Array  # shape (number of heater channels, grid.size)

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
    means = {
        quantity: np.array([bridged(signal.block_means(grid.edges)) for signal in signals[quantity]])
        for quantity in _WATCHED
        if quantity in signals
    }
    levels = {
        quantity: blocks.sum(axis=0) if quantity == "heater_power" else blocks.mean(axis=0)
        for quantity, blocks in means.items()
        if np.isfinite(blocks).all()
    }
    for quantity in ("hot_temperature", "cold_temperature"):
        if quantity not in levels:
            raise BadSetup(f"{trace.file} has no reading of {quantity}", where=Where(file=trace.file))
    return Run(trace, setup, signals, grid, levels, means.get("heater_power", np.zeros((0, grid.size))))
