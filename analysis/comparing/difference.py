"""The difference of two results: what they share (one rig's sensors, one zero) cancels as far as it is alike."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from analysis.errors import OutOfRange
from analysis.output import figure_text
from analysis.propagated import flags_of
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Outcome, Reduction, Trials
from analysis.statistics.monte_carlo import Drawing, propagate_estimate
from analysis.statistics.uncertainty import Estimate, Source, evaluate
from analysis.units import shown, shown_difference
from analysis.worked import Script

NAME = "difference"
VERSION = "1"

CHANGES: Mapping[str, str] = MappingProxyType(
    {
        "temperature_rise": "rise_change",
        "thermal_impedance": "impedance_change",
        "gap": "gap_change",
        "apparent_conductivity": "conductivity_change",
    }
)
"""The figures that two results may differ in, and what the difference is called."""


def difference_of(one: Reduction, other: Reduction, *, figure: str, trials: Trials | None = None) -> Outcome:
    """`other` less `one` in one figure, with what both results share counted as shared. [1], [2]

    Parameters: `figure` a key of `CHANGES`; `trials` to propagate the difference by Monte Carlo as well.
    Returns an Outcome with the difference and its budget; its part `root_sum` [shown unit] is the uncertainty that
    independent results would have. Budget lines of one source and one `common` are one and the same error, with the
    sign of their sensitivity; the rest of each result is its own, Student's t at its degrees of freedom.
    Raises OutOfRange for a figure that a result lacks or that has no difference.

    1. JCGM 100:2008, 5.2 and F.1.2.3.
    2. JCGM 101:2008.
    """
    if figure not in CHANGES:
        raise OutOfRange(f"'{figure}' is no figure that results are compared by; known: {', '.join(CHANGES)}")
    for number, result in enumerate((one, other), start=1):
        if figure not in result.figures:
            raise OutOfRange(f"result {number} has no {QUANTITIES[figure].label.lower()}")
    known: dict[tuple[str, str], Source] = {}
    estimate = _estimate(other, figure, known) - _estimate(one, figure, known)
    measured, budget = evaluate(estimate)
    key = CHANGES[figure]
    drawn = {} if trials is None else {key: propagate_estimate(Drawing(estimate), linear=measured, trials=trials)}
    apart = math.hypot(one.figures[figure].u, other.figures[figure].u)
    shared = sorted({source.name for source in known.values() if _stands_in_both(source, one, other, figure)})
    return Outcome(
        NAME,
        VERSION,
        figures={key: measured},
        budget={key: budget},
        flags=flags_of(drawn),
        parts={"figure": figure, "root_sum": shown_difference(apart, figure), "shared": shared},
        text=(
            f"{_named(other)} less {_named(one)}: {figure_text(other.figures[figure], figure)} less "
            f"{figure_text(one.figures[figure], figure)}",
            f"shared by both: {', '.join(shared) or 'nothing'}; as independent results the standard uncertainty would "
            f"be {shown_difference(apart, figure):.3g} {QUANTITIES[figure].shown}",
        ),
        files={"one": str(one.run.get("sha256") or ""), "other": str(other.run.get("sha256") or "")},
        monte_carlo=drawn,
        worked={key: _script(one, other, figure)},
    )


def _script(one: Reduction, other: Reduction, figure: str) -> Script:
    script, unit = Script(), QUANTITIES[figure].shown
    for symbol, result in (("first", one), ("second", other)):
        label = f"{QUANTITIES[figure].label}, {_named(result)}"
        script.given(symbol, label, shown(result.figures[figure].value, figure), unit)
    script.step("change", "Second less first", "second - first", unit)
    return script


def _estimate(result: Reduction, figure: str, known: dict[tuple[str, str], Source]) -> Estimate:
    """A figure as its value and the sources of its budget, those of one `common` the same object in both results."""
    measured, gradient = result.figures[figure], dict[Source, float]()
    lines = result.budget.get(figure) or (BudgetLine("the result as a whole", measured.u, 1.0, "A", measured.dof),)
    for line in lines:
        if not line.u > 0.0:
            continue
        source = Source(line.source, 1.0, line.kind, line.dof, line.common)
        if line.common:
            source = known.setdefault((line.common, line.source), source)
        gradient[source] = gradient.get(source, 0.0) + math.copysign(line.u, line.sensitivity or 1.0)
    return Estimate(measured.value, gradient)


def _stands_in_both(source: Source, one: Reduction, other: Reduction, figure: str) -> bool:
    return all(
        any((line.common, line.source) == (source.common, source.name) for line in result.budget.get(figure, ()))
        for result in (one, other)
    )


def _named(result: Reduction) -> str:
    return str(result.run.get("application") or result.run.get("file") or "result")
