"""What the parts of the analysis hand to one another: frozen, typed, in SI units.

A figure always travels as value, standard uncertainty and degrees of freedom; units change only at the border
(`analysis.units`, `Reduction.to_dict`). Arrays in results are read-only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.version import VERSION

if TYPE_CHECKING:
    from analysis.showing import Figure, Plot
    from analysis.worked import Script

Array = NDArray[np.float64]
EMPTY: Mapping[str, str] = MappingProxyType({})


class Severity(StrEnum):
    """What a flag does: keep a run out of rankings and releases, or stand beside the figure."""

    BLOCKS = "blocks"
    CAUTIONS = "cautions"


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value: `value` and standard uncertainty `u` in the same SI unit, `dof` degrees of freedom."""

    value: float
    u: float
    dof: float = math.inf

    @property
    def k(self) -> float:
        """Coverage factor for 95 %: the 97.5 % quantile of Student's t at `dof`. [1] (JCGM 100:2008, G.3)"""
        from analysis.statistics.student import coverage_factor

        return coverage_factor(self.dof)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty at 95 %, `k * u`, in the value's unit."""
        return self.k * self.u


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One contribution to a figure's uncertainty: `u` in the figure's SI unit, `share` of the variance in 0..1."""

    source: str
    u: float
    share: float
    kind: str  # "A" or "B" (JCGM 100:2008, 4.2 and 4.3)
    dof: float = math.inf
    sensitivity: float | None = None
    common: str = ""  # contributions of one name are common to all results that carry it (one rig's sensor, one zero)


@dataclass(frozen=True, slots=True)
class Flag:
    """Something a reader must know: `message` in plain words with numbers; `figures` it touches (none: all)."""

    code: str
    severity: Severity
    message: str
    figures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Trace:
    """A run file as read: `time` in s from `start` (sorted, shape (n,)), `columns` by header name without its unit.

    Column values are as in the file (header's unit in `units`, "" where the header gives none), missing values are nan.
    """

    file: str
    sha256: str
    time: Array
    columns: Mapping[str, NDArray[np.floating]]
    units: Mapping[str, str]
    notes: Mapping[str, str] = field(default_factory=lambda: EMPTY)
    start: datetime | None = None  # aware: the instant of time 0, where the file tells it
    unsorted: int = 0  # rows that came out of time order
    repeated: int = 0  # rows dropped because a later row has the same instant
    time_problem: str = ""  # such as a local hour that occurs twice
    undated: int = 0  # rows dropped because they have values but no time
    incomplete: int = 0  # last lines dropped because they were cut short while being written
    unread: tuple[str, ...] = ()  # columns of the file that the setup does not use

    @property
    def rows(self) -> int:
        return int(self.time.size)

    @property
    def seconds(self) -> float:
        return float(self.time[-1] - self.time[0]) if self.time.size else 0.0


@dataclass(frozen=True, slots=True)
class Settled:
    """The settled window a figure is taken over: times in s of the run, slope of the temperature rise in K/s."""

    found: bool
    start_s: float = math.nan
    end_s: float = math.nan
    rows: int = 0
    effective_rows: float = 0.0
    slope: float = math.nan
    chosen_by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Plateau:
    """One settled stretch with its conditions and figures (keys of `analysis.quantities`)."""

    settled: Settled
    figures: Mapping[str, Measured]
    nominal: bool  # at the nominal conditions


@dataclass(frozen=True, slots=True)
class Press:
    """How the layer was pressed out: gaps in m, times in s; `None` where the run does not show it."""

    gap_before: float | None = None
    gap_end: float | None = None
    time_to_end: float | None = None  # time to within 1 um of the end
    exponent: float | None = None  # of the power-law approach


@dataclass(frozen=True, slots=True)
class Input:
    """One number that the figures were made from: `key` names it, `quantity` (or a dimension) its unit, `value` in SI.

    A channel's mean over the settled window is keyed by its quantity and number (`hot_temperature.1`) and tells its
    `column` and, where it has one, the sensor's `depth` [m].
    """

    key: str
    label: str
    quantity: str
    value: float
    column: str = ""
    depth: float | None = None


@dataclass(frozen=True, slots=True)
class Trials:
    """How a figure is propagated by Monte Carlo: the `seed`, and when enough trials were made. [1]

    `digits` significant digits of the standard uncertainty count: half of the last is the tolerance to which the linear
    law is held. Trials are added until the results are known to `share` of it, but not beyond `most`.

    1. JCGM 101:2008, 7.9.4, and 8.2 for the share of one fifth.
    """

    seed: int = 1
    digits: int = 2
    share: float = 0.2
    most: int = 2_000_000
    confidence: float = 0.95


@dataclass(frozen=True, slots=True)
class Propagated:
    """A figure by Monte Carlo, in its SI unit, beside what the linear law says of it. [1]

    `value` and `u` are mean and standard deviation of the trials; `low` and `high` leave out as many below as above;
    `shortest` is the shortest interval. `tolerance` is the numerical tolerance of u, `doubt` how well the trials know
    their own results (two standard deviations), `settled` whether that is well enough.

    1. JCGM 101:2008, 7.6, 7.7, 7.9 and 8.
    """

    value: float
    u: float
    low: float
    high: float
    shortest: tuple[float, float]
    trials: int
    seed: int
    digits: int
    confidence: float
    tolerance: float
    doubt: float
    settled: bool
    linear_low: float = math.nan
    linear_high: float = math.nan

    @property
    def apart(self) -> tuple[float, float]:
        """How far the ends of the linear law's interval lie from those of the trials'; nan without a linear law."""
        return abs(float(self.linear_low - self.low)), abs(float(self.linear_high - self.high))

    @property
    def agrees(self) -> bool:
        """Whether the linear law is good enough: neither end is off by more than the tolerance. [1] (clause 8.1)

        Where the trials ended before they had settled, an end counts as off only by what they do not leave in doubt.
        """
        return max(self.apart) <= self.tolerance + (0.0 if self.settled else self.doubt)


class Shown:
    """What a reduction and an outcome share: how their figures are read and shown, and whether a flag blocks them."""

    __slots__ = ()
    figures: Mapping[str, Measured]
    flags: tuple[Flag, ...]

    @property
    def blocked(self) -> bool:
        """Whether any flag keeps the figures out of rankings and releases."""
        return any(flag.severity is Severity.BLOCKS for flag in self.flags)

    def figure(self, key: str) -> Figure:
        """One figure with its name and unit; in a notebook it shows as `12.31 ± 0.42 mm²·K/W (k = 2.03)`."""
        from analysis.showing import figure_of

        return figure_of(self.figures, key)

    def plot(self, figure: str = "") -> Plot:
        """A drawing that a notebook shows: the budget of a `figure`, or what the result as a whole has to draw."""
        from analysis.showing import plot_of

        return plot_of(self, figure)

    def to_rows(self) -> list[dict[str, Any]]:
        """One plain row a figure, in the units people see."""
        from analysis.showing import rows_of

        return rows_of(self.figures)

    def to_frame(self) -> Any:
        """The figures as a polars DataFrame, in the units people see."""
        from analysis.showing import frame_of

        return frame_of(self.figures)


@dataclass(frozen=True, slots=True)
class Reduction(Shown):
    """One reduction of one run: what was found, every figure with its budget, every flag. SI units inside."""

    method: str
    method_version: str
    run: Mapping[str, object]  # file, sha256, rows, seconds, and sample, application, start where known
    settled: Settled
    figures: Mapping[str, Measured] = field(default_factory=dict)
    budget: Mapping[str, tuple[BudgetLine, ...]] = field(default_factory=dict)
    press: Press | None = None
    plateaus: tuple[Plateau, ...] = ()
    flags: tuple[Flag, ...] = ()
    notes: Mapping[str, str] = field(default_factory=lambda: EMPTY)
    setup: Mapping[str, object] = field(default_factory=dict)  # the setup it was made with, as the TOML file's mapping
    files: Mapping[str, str] = field(default_factory=lambda: EMPTY)  # role (run, zero, zero_after) -> SHA-256
    package_version: str = VERSION
    inputs: tuple[Input, ...] = ()  # what the figures were made from, for the working to be shown
    monte_carlo: Mapping[str, Propagated] = field(default_factory=dict)  # figures propagated so as well, where asked

    def to_dict(self) -> dict[str, object]:
        """The result object for JSON, in the units people see; see `analysis.output`."""
        from analysis.output import to_dict

        return to_dict(self)

    def __str__(self) -> str:
        from analysis.output import to_text

        return to_text(self)


@dataclass(frozen=True, slots=True)
class Outcome(Shown):
    """What a method finds beyond the reduction of one run: from several results, or from the course of one run.

    `figures`, `budget` and `flags` are as in a Reduction, in SI units. `parts` is what else the method gives, by name:
    plain lists, numbers and words in the units people see, ready for JSON. `text` says the same in lines for a person.
    """

    method: str
    method_version: str
    figures: Mapping[str, Measured] = field(default_factory=dict)
    budget: Mapping[str, tuple[BudgetLine, ...]] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()
    notes: Mapping[str, str] = field(default_factory=lambda: EMPTY)
    run: Mapping[str, object] = field(default_factory=dict)  # of a method of one run, as in a Reduction
    parts: Mapping[str, object] = field(default_factory=dict)
    text: tuple[str, ...] = ()
    setup: Mapping[str, object] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=lambda: EMPTY)
    package_version: str = VERSION
    monte_carlo: Mapping[str, Propagated] = field(default_factory=dict)  # figures propagated so as well, where asked
    inputs: tuple[Input, ...] = ()  # what figures of a settled stretch were made from, as in a Reduction
    worked: Mapping[str, Script] = field(default_factory=dict)  # how the other figures follow from printed numbers

    def to_dict(self) -> dict[str, object]:
        """The result object for JSON, in the units people see; see `analysis.outcomes`."""
        from analysis.outcomes import to_dict

        return to_dict(self)

    def __str__(self) -> str:
        from analysis.outcomes import to_text

        return to_text(self)
