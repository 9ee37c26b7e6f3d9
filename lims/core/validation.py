"""The validation of the analysis for people: every case as rows of a page, computed once in a process."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from django.utils import timezone

from lims.core.display import pretty_unit, show_number

_DIGITS = 10


@dataclass(frozen=True, slots=True)
class Row:
    """One number compared, written for people."""

    what: str
    expected: str
    obtained: str
    within: str
    unit: str
    agrees: bool


@dataclass(frozen=True, slots=True)
class ValidatedCase:
    """One case: its key, method, function and source, its rows, and the error that stopped it, if one did."""

    key: str
    method: str
    function: str
    source: str
    rows: tuple[Row, ...]
    agrees: bool
    error: str


@dataclass(frozen=True, slots=True)
class Validation:
    """Every case with its verdict, the version of the analysis, and when it was computed."""

    cases: tuple[ValidatedCase, ...]
    agrees: bool
    numbers: int
    agreeing: int
    version: str
    computed: datetime


@lru_cache(maxsize=1)
def validation() -> Validation:
    """Compare every method with its published values."""
    # loads every part of the analysis, which no other page needs
    from analysis.validation import validate

    report = validate()
    cases = tuple(
        ValidatedCase(
            one.case.key,
            one.case.method,
            one.case.function,
            one.case.source,
            tuple(
                Row(
                    check.what,
                    _written(check.expected),
                    _written(check.obtained),
                    show_number(float(check.tolerance), digits=2),
                    pretty_unit(check.unit),
                    check.agrees,
                )
                for check in one.checks
            ),
            one.agrees,
            one.error,
        )
        for one in report.outcomes
    )
    agreeing = len(cases) - len(report.disagreeing)
    return Validation(cases, report.agrees, report.checks, agreeing, report.version, timezone.now())


def _written(value: float) -> str:
    return show_number(float(value), digits=_DIGITS) if math.isfinite(value) else "none"
