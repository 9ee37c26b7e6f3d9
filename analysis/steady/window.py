"""The means of all channels over a window, each as an estimate that remembers where its uncertainty comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from analysis.channels import Reading
from analysis.results import Array
from analysis.setup import RigSetup
from analysis.statistics.uncertainty import Estimate, Source, Together
from analysis.steady.blocks import Signal, bridged, divided, grid_of

_BLOCKS = 2048  # in a window, for the memory of the series
_LOOKED_AT = 4096  # rows that tell whether noise is below the resolution

_ABOVE = 1.5  # resolutions: a channel that usually moves further from row to row carries its mean over the steps

Signals = Mapping[str, tuple[Signal, ...]]
NO_NULLS: Mapping[str, Estimate] = MappingProxyType({})
NO_PLACES: Mapping[str, tuple[Estimate, ...]] = MappingProxyType({})
NO_COLUMNS: Mapping[str, tuple[str, ...]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Rig:
    """The setup with one source of uncertainty for each of its constants and sensors, the same in every window.

    Two estimates that use the same sensor, the same area or the same block are thereby correlated as they are.
    """

    setup: RigSetup
    _known: dict[str, Source] = field(default_factory=dict)

    def with_setup(self, setup: RigSetup) -> Rig:
        """The same sensors and constants under a changed setup."""
        return Rig(setup, self._known)

    def constant(self, name: str) -> Estimate:
        """A constant of the setup, such as `area`."""
        measured = getattr(self.setup, name)
        label = name.replace("_", " ")
        return Estimate.measured(
            measured.value, self.source(label, u=measured.u, dof=measured.dof, common=self._common(label))
        )

    def calibration(self, reading: Reading) -> Source:
        """The calibration of one sensor."""
        name = f"{reading.quantity} calibration"
        return self.source(name, u=reading.u, common=self._common(name), key=f"column {reading.column}")

    def calibrations(self, reading: Reading) -> dict[Source, float]:
        """The calibration of one sensor and, of a thermocouple, that of its cold junction, with their derivatives.

        A sensor's own uncertainty may grow with its temperature: the error is then the same one, larger.
        """
        own = self.calibration(reading)
        found = {own: reading.u / own.u if own.u else 1.0}
        if reading.junction is not None:
            name, column = "cold junction calibration", reading.junction.column
            shared = self.source(name, u=reading.junction.u, common=self._common(name), key=f"junction {column}")
            found[shared] = reading.junction.sensitivity
        return found

    def depth_error(self, reading: Reading) -> Estimate:
        """What is not known of a sensor's depth [m]: zero, with the uncertainty that the setup states."""
        if not reading.depth_u:
            return Estimate(0.0)
        common = self._common(f"depth of {reading.column}")
        source = self.source("depth", u=reading.depth_u, common=common, key=f"depth {reading.column}")
        return Estimate.measured(0.0, source)

    def source(self, name: str, *, u: float, dof: float = math.inf, common: str = "", key: str = "") -> Source:
        """A source by its name, or by a key of its own; the same object whenever it is asked for again."""
        key = key or name
        if key not in self._known:
            self._known[key] = Source(name, u, "B", dof, common)
        return self._known[key]

    def _common(self, what: str) -> str:
        return f"{self.setup.name or 'rig'}: {what}"


@dataclass(frozen=True, slots=True)
class Window:
    """Rows `rows` of a run: the mean of every channel, and how the channels scattered and drifted together."""

    rows: slice
    start: float  # [s]
    end: float  # [s] of the last row
    means: Mapping[str, tuple[Estimate, ...]]
    depths: Mapping[str, tuple[float, ...]]
    together: Together
    centres: Array  # [s] of the blocks `together` is made of
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: NO_COLUMNS)  # of the means
    placed: Mapping[str, tuple[Estimate, ...]] = field(default_factory=lambda: NO_PLACES)  # errors of the depths [m]

    def mean(self, quantity: str) -> Estimate:
        """The mean over the window and over all channels of a quantity."""
        parts = self.means[quantity]
        return sum(parts, Estimate(0.0)) * (1.0 / len(parts))

    def depth_errors(self, quantity: str) -> tuple[Estimate, ...]:
        """What is not known of each sensor's depth [m]: zero, with its uncertainty."""
        return self.placed.get(quantity) or tuple(Estimate(0.0) for _ in self.means[quantity])

    def has(self, *quantities: str) -> bool:
        return all(self.means.get(quantity) for quantity in quantities)

    @property
    def middle(self) -> float:
        return 0.5 * (self.start + self.end)


def make_window(
    rig: Rig, *, time: Array, signals: Signals, rows: slice, nulls: Mapping[str, Estimate] = NO_NULLS
) -> Window:
    """The window of `rows` of a run; a channel without a single reading in it is left out.

    `nulls` are what single sensors read too much, by column, as an isothermal zero run tells.
    """
    grid = grid_of(time, rows=rows, blocks=_BLOCKS)
    sources: list[Source] = []
    columns: list[Array] = []
    means: dict[str, tuple[Estimate, ...]] = {}
    depths: dict[str, tuple[float, ...]] = {}
    names: dict[str, tuple[str, ...]] = {}
    placed: dict[str, tuple[Estimate, ...]] = {}
    for quantity, members in signals.items():
        for signal in members:
            sums, counts = signal.block_sums(grid.edges)
            if not counts.any():
                continue
            blocks = bridged(divided(sums, counts))
            source = Source(f"{quantity} readings", 0.0, "A")
            sources.append(source)
            columns.append(blocks)
            estimate = _mean(rig, signal, rows=rows, source=source, value=float(sums.sum() / counts.sum()))
            if signal.reading.column in nulls:
                estimate = estimate - nulls[signal.reading.column]
            means[quantity] = (*means.get(quantity, ()), estimate)
            names[quantity] = (*names.get(quantity, ()), signal.reading.column)
            depths[quantity] = (*depths.get(quantity, ()), signal.reading.depth or 0.0)
            placed[quantity] = (*placed.get(quantity, ()), rig.depth_error(signal.reading))
    together = _together(tuple(sources), columns, centres=grid.centres, seconds=float(grid.bounds[-1] - grid.bounds[0]))
    return Window(
        rows=rows,
        start=float(time[rows.start]),
        end=float(time[rows.stop - 1]),
        means=means,
        depths=depths,
        together=together,
        centres=grid.centres,
        columns=names,
        placed=placed,
    )


def _mean(rig: Rig, signal: Signal, *, rows: slice, source: Source, value: float) -> Estimate:
    """The mean of one channel over all its rows, with its calibration and, where it matters, its resolution."""
    reading = signal.reading
    gradient = {source: 1.0}
    if reading.times is None:
        gradient.update(rig.calibrations(reading))
    else:
        gradient[Source("heater_power calibration", reading.uncertainty(rows))] = 1.0
    step = rig.setup.gap_resolution if reading.quantity == "gap" else 0.0
    gradient.update(_rounded(reading, step or _coarse(signal, rows)))
    return Estimate(value, gradient)


def _coarse(signal: Signal, rows: slice) -> float:
    """The step of a channel in SI where its noise does not carry the mean over the steps, else 0."""
    if signal.reading.times is not None:
        return 0.0
    if signal.habit.step > _ABOVE * signal.habit.resolution:
        return 0.0
    step = signal.habit.resolution * abs(signal.reading.slope)
    values = signal.values(slice(rows.start, min(rows.stop, rows.start + _LOOKED_AT)))
    return step if step and float(np.nanstd(values)) < 0.5 * step else 0.0


def _rounded(reading: Reading, step: float) -> dict[Source, float]:
    """A reading rounded to steps d has the standard uncertainty d / sqrt(12). [1]

    1. JCGM 100:2008, F.2.2.1.
    """
    return {Source(f"{reading.quantity} resolution", step / math.sqrt(12.0), shape="rectangular"): 1.0} if step else {}


def _together(sources: tuple[Source, ...], columns: Sequence[Array], *, centres: Array, seconds: float) -> Together:
    if not columns or centres.size < 3:
        return Together()
    rows = np.column_stack(columns)
    rows -= rows.mean(axis=0)
    t = centres - centres.mean()
    slopes = (t @ rows) / float(t @ t)
    rows -= np.outer(t, slopes)
    return Together(sources=sources, rows=rows, slopes=slopes, seconds=seconds, fitted=2)
