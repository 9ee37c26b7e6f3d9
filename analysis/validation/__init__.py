"""Validation: what the project computes beside what was published, each case with its source.

    python -m analysis validate

Every obtained value is computed by the project's own functions when the command runs. Where no number was published,
the expected value is the printed formula by hand, an identity, or the equation solved in another way; the source says
which.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from analysis.validation import (
    materials_cases,
    method_cases,
    monte_carlo_cases,
    quality_cases,
    sensing_cases,
    statistics_cases,
    uncertainty_cases,
)
from analysis.validation.case import Case, Check, Outcome, Report, try_case
from analysis.version import VERSION

CASES: tuple[Case, ...] = (
    *method_cases.CASES,
    *uncertainty_cases.CASES,
    *monte_carlo_cases.CASES,
    *statistics_cases.CASES,
    *quality_cases.CASES,
    *sensing_cases.CASES,
    *materials_cases.CASES,
)
"""Every case, methods first."""

__all__ = ["CASES", "Case", "Check", "Outcome", "Report", "to_dict", "to_text", "validate"]


def validate(cases: Iterable[Case] = CASES) -> Report:
    """Compute every case."""
    return Report(tuple(try_case(case) for case in cases), VERSION)


def to_dict(report: Report) -> dict[str, Any]:
    """The report for JSON: agree, and each case with its checks; a value that is no number becomes null."""
    return {
        "agree": report.agrees,
        "version": report.version,
        "cases": [
            {
                "key": one.case.key,
                "method": one.case.method,
                "function": one.case.function,
                "source": one.case.source,
                "agree": one.agrees,
                "error": one.error,
                "checks": [_check(check) for check in one.checks],
            }
            for one in report.outcomes
        ],
    }


def _check(check: Check) -> dict[str, Any]:
    return {
        "what": check.what,
        "unit": check.unit,
        "expected": _number(check.expected),
        "obtained": _number(check.obtained),
        "tolerance": check.tolerance,
        "agree": check.agrees,
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def to_text(report: Report) -> str:
    """The report for a person: a line for each case and each check, what disagrees marked and counted at the end."""
    lines = []
    for one in report.outcomes:
        lines.append(f"{'agrees' if one.agrees else 'DIFFERS'}  {one.case.method} ({one.case.function})")
        lines.append(f"         {one.case.source}")
        if one.error:
            lines.append(f"         failed: {one.error}")
        lines += [_line(check) for check in one.checks]
    agreeing = len(report.outcomes) - len(report.disagreeing)
    lines.append(f"{agreeing} of {len(report.outcomes)} cases agree, {report.checks} numbers compared.")
    return "\n".join(lines)


def _line(check: Check) -> str:
    unit = f" {check.unit}" if check.unit else ""
    mark = " " if check.agrees else "!"
    return (
        f"       {mark} {check.what}: expected {check.expected:.10g}{unit}, obtained {check.obtained:.10g}{unit} "
        f"(within {check.tolerance:.2g})"
    )
