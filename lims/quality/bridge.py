"""From limits and results to `analysis` and back. Whatever goes wrong, the answer is `not evaluable`, never a pass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import structlog

from analysis.drawing import Axis
from analysis.errors import AnalysisError
from analysis.figures.control import ControlPoint, control_figure
from analysis.figures.plotly import figure_json
from analysis.quality.capability import Capability, capability
from analysis.quality.conformity import Limits, judge, judge_by_risk, mean_of
from analysis.quality.control import Phase, phase_of
from analysis.quality.run_rules import RULE_SETS, signals
from analysis.results import Measured
from lims.core.errors import Invalid

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


def phase_from(values: Sequence[float]) -> tuple[float, float]:
    """Level and short-term spread of a first phase; Invalid where the values cannot give one."""
    try:
        phase = phase_of(values)
    except AnalysisError as error:
        raise Invalid(f"{error.message}.", code="no-phase") from error
    if not phase.sigma > 0.0:
        raise Invalid("The points do not vary at all; look at how they were entered.", code="no-phase")
    return phase.level, phase.sigma


def signals_of(values: Sequence[float], *, level: float, sigma: float, rules: str) -> list[tuple[int, str]]:
    """The points that break a rule of a set, with the rule in words."""
    return [(found.point, found.rule) for found in signals(values, level=level, sigma=sigma, rules=rules)]


def control_plot(
    rows: Sequence[tuple[str, str, float]], *, axis: tuple[str, str], phase: tuple[float, float, int], rules: str
) -> dict[str, Any]:
    """The plot of a chart: code, day and value of each point in the unit shown; `axis` is label and unit."""
    points = [ControlPoint(code, day, value) for code, day, value in rows]
    return figure_json(control_figure(points, axis=Axis(*axis), phase=Phase(*phase), rules=rules), dark=None)


@dataclass(frozen=True, slots=True)
class Capable:
    """Capability as a page shows it; `why_not` where there is none to speak of."""

    found: Capability | None = None
    why_not: str = ""


def capable(values: Sequence[float], *, limit: Any) -> Capable:
    """Capability of values in SI against a limit."""
    try:
        return Capable(capability(values, limits=Limits(limit.lower, limit.upper)))
    except AnalysisError as error:
        return Capable(why_not=f"{error.message}.")


RULES = {key: (rules.name, rules.false_signal_every) for key, rules in RULE_SETS.items()}
