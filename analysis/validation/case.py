"""What a case of validation is, and what came out of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Check:
    """One number: what the source gives, what the project computed, and how far the two may differ (absolute)."""

    what: str
    expected: float
    obtained: float
    tolerance: float
    unit: str = ""

    @property
    def agrees(self) -> bool:
        return math.isfinite(self.obtained) and bool(abs(self.obtained - self.expected) <= self.tolerance)


@dataclass(frozen=True, slots=True)
class Case:
    """One case: a key, the method and function it tries, its published source, and how to compute its checks."""

    key: str
    method: str
    function: str
    source: str
    compute: Callable[[], Iterable[Check]]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a case: its checks, or the error that stopped it."""

    case: Case
    checks: tuple[Check, ...]
    error: str = ""

    @property
    def agrees(self) -> bool:
        return not self.error and bool(self.checks) and all(check.agrees for check in self.checks)


@dataclass(frozen=True, slots=True)
class Report:
    """What came of every case, in order."""

    outcomes: tuple[Outcome, ...]
    version: str

    @property
    def agrees(self) -> bool:
        return bool(self.outcomes) and all(outcome.agrees for outcome in self.outcomes)

    @property
    def checks(self) -> int:
        return sum(len(outcome.checks) for outcome in self.outcomes)

    @property
    def disagreeing(self) -> tuple[Outcome, ...]:
        return tuple(outcome for outcome in self.outcomes if not outcome.agrees)


def try_case(case: Case) -> Outcome:
    """Compute a case; whatever goes wrong in it is a disagreement that names the error."""
    try:
        return Outcome(case, tuple(case.compute()))
    except Exception as error:  # noqa: BLE001 - a function that fails is what a validation is there to tell
        return Outcome(case, (), f"{type(error).__name__}: {error}")
