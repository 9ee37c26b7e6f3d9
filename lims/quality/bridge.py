"""From limits and results to `analysis` and back. Whatever goes wrong, the answer is `not evaluable`, never a pass."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import structlog

from analysis.errors import AnalysisError
from analysis.quality.conformity import Limits, judge
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


def judge_value(value: float, u: float | None, dof: float | None, *, limit: Any, guard_factor: float) -> Judged:
    """Judge one value in SI by one limit. `u` None: not evaluable; so is everything that cannot be computed."""
    if u is None:
        return Judged(NOT_EVALUABLE, why="the uncertainty is missing")
    measured = Measured(value, u, math.inf if dof is None else dof)
    try:
        found = judge(measured, limits=Limits(limit.lower, limit.upper), guard_factor=guard_factor)
    except AnalysisError as error:
        return Judged(NOT_EVALUABLE, why=error.message)
    except Exception:
        log.exception("judging failed", limit=limit.pk)
        return Judged(NOT_EVALUABLE, why="judging failed; the log has the details")
    return Judged(str(found.outcome), found.probability, found.guard_band)
