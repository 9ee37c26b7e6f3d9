"""From limits and results to `analysis` and back. Whatever goes wrong, the answer is `not evaluable`, never a pass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import structlog

from analysis.errors import AnalysisError
from analysis.quality.conformity import Limits, judge, judge_by_risk, mean_of
from analysis.results import Measured

log = structlog.get_logger(__name__)
NOT_EVALUABLE = "not_evaluable"


@dataclass(frozen=True, slots=True)
class Judged:
    """What came of judging one value: outcome, probability that it conforms, guard band in SI, and words."""

    outcome: str
    probability: float | None = None
    guard_band: float | None = None
    why: str = ""


def judge_value(measured: Measured | None, *, limit: Any, version: Any) -> Judged:
    """Judge one value in SI by one limit under a version's rule; without its uncertainty it is not evaluable."""
    if measured is None or measured.u is None:
        return Judged(NOT_EVALUABLE, why="the uncertainty is missing")
    limits = Limits(limit.lower, limit.upper)
    try:
        if version.risk is not None:
            found = judge_by_risk(measured, limits=limits, risk=version.risk)
        else:
            found = judge(measured, limits=limits, guard_factor=version.guard_factor)
    except AnalysisError as error:
        return Judged(NOT_EVALUABLE, why=error.message)
    except Exception:
        log.exception("judging failed", limit=limit.pk)
        return Judged(NOT_EVALUABLE, why="judging failed; the log has the details")
    return Judged(str(found.outcome), found.probability, found.guard_band, _warning(measured.value, limit))


def measured_of(value: float, u: float | None, dof: float | None) -> Measured | None:
    """A result as `analysis` takes it; None without its uncertainty."""
    return None if u is None else Measured(value, u, math.inf if dof is None else dof)


def mean(results: Sequence[Measured | None]) -> Measured | None:
    """The mean of results; None where one of them lacks its uncertainty."""
    whole = [result for result in results if result is not None]
    return mean_of(whole) if len(whole) == len(results) else None


def _warning(value: float, limit: Any) -> str:
    low, high = limit.warn_lower, limit.warn_upper
    if (low is not None and value < low) or (high is not None and value > high):
        return "beyond the warning limit"
    return ""
