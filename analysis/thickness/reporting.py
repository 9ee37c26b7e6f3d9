"""The outcome of a thickness series: its figures, its points and its tests, as numbers and in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from analysis.errors import OutOfRange
from analysis.output import figure_entry, figure_text
from analysis.propagated import flags_of
from analysis.quantities import QUANTITIES
from analysis.results import Flag, Outcome, Propagated, Reduction, Severity, Trials
from analysis.thickness import judging
from analysis.thickness.line import Line, Straightness, fit_series, straightness
from analysis.thickness.monte_carlo import propagate_line
from analysis.thickness.points import LeftOut, Point, gathered, read_points
from analysis.thickness.scripts import scripts_of
from analysis.units import shown


def reduce_points(
    results: Sequence[Reduction],
    *,
    names: Sequence[str],
    overridden: Sequence[Sequence[str]],
    method: tuple[str, str],
    trials: Trials | None = None,
) -> Outcome:
    """See `analysis.methods.series.reduce_series`."""
    points, left_out = read_points(results, names=names, overridden=overridden)
    line, straight = None, None
    flags = judging.refused(points, left_out)
    if not flags:
        together = gathered(points)
        flags = judging.different_gaps(together)
        if not flags:
            try:
                line = fit_series(together)
                straight = straightness(together, line)
                flags = judging.too_uncertain(together, line)
            except OutOfRange as error:
                flags = [Flag("no_line", Severity.BLOCKS, error.message)]
    good = line is not None and straight is not None and not flags
    if line is not None and straight is not None and good:
        flags = judging.remarks(together, line, straight)
    drawn = propagate_line(together, line, trials) if line is not None and good and trials is not None else {}
    known = {key: one for key, one in drawn.items() if key in QUANTITIES}
    return Outcome(
        method=method[0],
        method_version=method[1],
        figures={"conductivity": line.conductivity, "contact_impedance": line.intercept} if line and good else {},
        budget=line.budget if line and good else {},
        flags=(*flags, *flags_of(known)),
        parts={
            "results": _results(points, left_out, line),
            "line": {} if line is None else _line(line) | _drawn_slope(drawn),
            "tests": {} if straight is None or line is None else _tests(straight, line),
        },
        text=_text(points, left_out, line),
        monte_carlo=known,
        worked=scripts_of(together, line) if line is not None and good else {},
        files={f"result {point.number + 1}": str(results[point.number].run.get("sha256") or "") for point in points},
    )


def _results(points: Sequence[Point], left_out: Sequence[LeftOut], line: Line | None) -> list[dict[str, object]]:
    entries: dict[int, dict[str, object]] = {
        one.number: {"name": one.name, "used": False, "reason": one.reason} for one in left_out
    }
    for row, point in enumerate(points):
        entry: dict[str, object] = {"name": point.name, "used": True}
        entry |= {"sample": point.sample, "application": point.application}
        entry |= {"gap": figure_entry(point.gap, "gap")}
        entry["thermal_impedance"] = figure_entry(point.impedance, "thermal_impedance")
        if point.pressure is not None:
            entry["pressure"] = figure_entry(point.pressure, "pressure")
        if line is not None:
            residual = float(line.fit.residuals[row])
            entry["from_line_mm2_K_per_W"] = shown(residual, "thermal_impedance")
            entry["from_line_in_own_u"] = residual * math.sqrt(float(line.fit.weights[row]))
        entries[point.number] = entry
    return [entries[number] for number in sorted(entries)]


def _line(line: Line) -> dict[str, object]:
    """The line in mm2 K/W against um: its slope has the same number as in m K/W."""
    found: dict[str, object] = {
        "slope_mm2_K_per_W_per_um": line.slope.value,
        "u_slope": line.slope.u,
        "dof_slope": line.slope.dof,
        "U95_slope": line.slope.expanded,
        "intercept_mm2_K_per_W": shown(line.intercept.value, "contact_impedance"),
        "u_intercept": shown(line.intercept.u, "contact_impedance"),
        "correlation": line.correlation,
        "covariance": line.correlation * line.slope.u * shown(line.intercept.u, "contact_impedance"),
    }
    if line.intercept.value < 0.0:
        found["zero_offset"] = figure_entry(line.offset, "gap")
    return found


def _drawn_slope(drawn: Mapping[str, Propagated]) -> dict[str, object]:
    """The slope's interval by Monte Carlo, where it was asked for; in m K/W, which has the number of mm2 K/W per um."""
    if "slope" not in drawn:
        return {}
    one = drawn["slope"]
    return {"slope_by_monte_carlo": {"low": one.low, "high": one.high, "trials": one.trials, "agrees": one.agrees}}


def _tests(straight: Straightness, line: Line) -> dict[str, object]:
    return {
        "chi2": line.fit.chi2,
        "dof": line.fit.dof,
        "p_lack_of_fit": straight.lack_of_fit,
        "p_lack_of_fit_against_replicates": straight.replicates,
        "p_curvature": straight.curvature,
    }


def _text(points: Sequence[Point], left_out: Sequence[LeftOut], line: Line | None) -> tuple[str, ...]:
    lines = [f"thickness series of {len(points)} results"]
    for row, point in enumerate(points):
        off = (
            "" if line is None else f", {shown(float(line.fit.residuals[row]), 'thermal_impedance'):+.2g} off the line"
        )
        gap, impedance = figure_text(point.gap, "gap"), figure_text(point.impedance, "thermal_impedance")
        lines.append(f"  {point.name}: {gap}, {impedance}{off}")
    return (*lines, *(f"  {one.name} left out: {one.reason}" for one in left_out))
