"""What a ranking is made of: one entry a sample, the spread between applications, neighbours, the order itself."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.results import Measured
from analysis.statistics.multiple import Differences
from analysis.statistics.one_way import FTest


@dataclass(frozen=True, slots=True)
class Standing:
    """One sample in a ranking. Values in the figure's SI unit.

    `u` holds the scatter between applications (`u_between`) and the contributions of calibrations (`u_common`), which
    cancel in differences on one rig; None where there is one application: no interval from its own data.
    """

    sample: str
    n: int  # applications
    runs: int
    mean: float
    u_common: float
    provisional: bool  # fewer applications than asked for: ranked apart
    values: tuple[tuple[str, float], ...]  # application -> its value
    u: float | None = None
    dof: float | None = None
    u_between: float | None = None
    interval: tuple[float, float] | None = None
    letters: str = ""
    rank: int | None = None  # 1 + the number of samples that are significantly better
    rigs: tuple[str, ...] = ()
    result_ids: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Spread:
    """How the scatter between applications was taken: pooled or each sample's own, and the test that decided it."""

    pooled: bool
    sd: float  # pooled, or the root of the mean variance
    dof: float
    test: FTest | None  # Levene's with medians; None where too few samples have three applications
    overall: FTest  # whether there is any difference at all
    stand_in: bool = False  # no scatter at all: the runs' own variance instead
    chosen: bool = False  # by a person, not by the test

    @property
    def method(self) -> str:
        """The method the simultaneous intervals are made by."""
        return "Tukey-Kramer" if self.pooled else "Games-Howell"

    @property
    def sentence(self) -> str:
        """The choice in words."""
        if self.stand_in:
            return "no scatter at all between applications: are they separate? the runs' own uncertainty stands in"
        if self.chosen:
            how = "pooled over the samples" if self.pooled else "taken for each sample by itself"
            said = "" if self.test is None else f" (Levene's test with medians says p = {self.test.p:.3g})"
            return f"spread {how} by choice{said}"
        if self.test is None:
            return "spread pooled over the samples; too few have three applications to test whether the spreads differ"
        how = "pooled over the samples" if self.pooled else "taken for each sample by itself"
        verdict = "no sign that the spreads differ" if self.pooled else "the spreads differ"
        return f"spread {how}: {verdict} (Levene's test with medians, p = {self.test.p:.3g})"


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Two samples next to each other: whether they are told apart, and how many applications of each would part them.

    `needed` is for a chance of 80 % to see the difference now found; None where no number below a thousand would.
    """

    better: str
    worse: str
    difference: float
    separated: bool
    needed: int | None


@dataclass(frozen=True, slots=True)
class Adjusted:
    """A sample's mean freed of the rigs' effects, with the letters and the rank it then has."""

    sample: str
    measured: Measured
    letters: str
    rank: int


@dataclass(frozen=True, slots=True)
class RigEffects:
    """Each rig's effect on the figure (together they are nought), and the order without them."""

    effects: tuple[tuple[str, Measured], ...]
    adjusted: tuple[Adjusted, ...]


@dataclass(frozen=True, slots=True)
class Order:
    """Samples ranked among themselves: best first, with every difference (indices into `items`)."""

    items: tuple[Standing, ...]
    differences: Differences | None = None
    spread: Spread | None = None
    neighbours: tuple[Neighbours, ...] = ()
    smallest_difference: float | None = None  # seen with a chance of 80 % by this plan
