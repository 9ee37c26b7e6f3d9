"""The outcome of thinning: the line through the points of one run, and what a series of the material says beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.errors import OutOfRange, UnreadableFile, Where
from analysis.output import figure_entry, figure_text
from analysis.results import Array, Flag, Measured, Outcome, Severity, Trace
from analysis.setup import RigSetup
from analysis.statistics.errors_in_both import Both, quadratic_term
from analysis.statistics.student import two_sided_p
from analysis.statistics.trend import independent_points
from analysis.steady.gap import Reference, make_reference
from analysis.steady.heat import check_setup
from analysis.steady.run import make_run
from analysis.steady.window import Rig
from analysis.steady.zero import measured_zero, stated_zero
from analysis.thickness.judging import BOTH, WORTH, below_zero
from analysis.thickness.line import Line, fit_series
from analysis.thickness.scripts import scripts_of
from analysis.thinning.points import Quasi, find_points
from analysis.units import conversion, shown, shown_difference, to_si

_CURVED = 0.01
_POOR = 3.0  # times the scatter of a block that the points may lie about the line
_LISTED = 120  # points in the outcome


@dataclass(frozen=True, slots=True)
class Remembering:
    """Widening of what each block has of its own: by the scatter about the line, and by the memory of the series."""

    factor: float
    dof: float

    def measured_by(self, u_independent: float, u_common: float) -> tuple[float, float]:
        """Standard uncertainty and degrees of freedom of a figure with these two parts. [1] (JCGM 100:2008, G.2b)"""
        own = self.factor * u_independent
        u = math.hypot(own, u_common)
        return u, self.dof * (u / own) ** 4 if own > 0.0 else math.inf

    def seen_counts(self, u_independent: float, u_common: float) -> bool:
        """Whether the scatter as seen takes the place of the stated uncertainties: in a series in time, always."""
        return True


def remembering(fit: Both) -> Remembering:
    """The widening that the residuals of a series in time call for; a narrowing as well.

    The scatter of a block is itself read off the same blocks, so that the line, which has all of them, tells it better.
    """
    effective = independent_points(fit.residuals, fitted=2)
    n = fit.residuals.size
    return Remembering(math.sqrt(fit.chi2 / fit.dof * n / effective), max(effective - 2.0, 1.0))


def reduce_thinning_trace(
    trace: Trace,
    setup: RigSetup,
    *,
    zero: Trace | None,
    series: Mapping[str, Any] | None,
    method: tuple[str, str],
) -> Outcome:
    """See `analysis.methods.thinning.reduce_thinning`."""
    check_setup(setup)
    run, rig = make_run(trace, setup=setup), Rig(setup)
    before = measured_zero(zero, rig=rig) if zero is not None else stated_zero(setup)
    described = {"file": trace.file, "sha256": trace.sha256, "rows": trace.rows, "seconds": trace.seconds}
    described |= {key: text for key, text in (("sample", setup.sample), ("application", setup.application)) if text}
    files = {role: one.sha256 for role, one in {"run": trace, "zero": zero}.items() if one is not None}
    reference: Reference | None = None if before is None else make_reference(rig, zero=before, after=None)
    if reference is None:
        found: Quasi | str = "neither a zero run nor a zero reading tells where the gap is zero"
        code = "zero_missing"
    else:
        found, code = find_points(run, rig=rig, reference=reference), "not_quasi_steady"
    line: Line | None = None
    flags: list[Flag] = []
    if isinstance(found, str):
        flags.append(Flag(code, Severity.BLOCKS, found))
    else:
        line, flags = _judged(found)
    good = line is not None and not any(flag.code in _REFUSALS for flag in flags)
    figures = {"conductivity": line.conductivity, "contact_impedance": line.intercept} if line and good else {}
    return Outcome(
        *method,
        figures=figures,
        budget=line.budget if line and good else {},
        flags=tuple(flags),
        run=described,
        parts={
            "points": {} if isinstance(found, str) else _points(found, line),
            "comparison": _comparison(figures.get("conductivity"), series),
        },
        text=_text(found, figures.get("conductivity"), series),
        setup=setup.source,
        files=files,
        worked=scripts_of(found.points, line) if line and good and not isinstance(found, str) else {},
    )


_REFUSALS = ("gap_moves_too_little", "no_line")


def _judged(found: Quasi) -> tuple[Line | None, list[Flag]]:
    try:
        line = fit_series(found.points, widen=remembering)
    except OutOfRange as error:
        return None, [Flag("no_line", Severity.BLOCKS, error.message)]
    refusal = _too_little(found, line)
    return line, refusal or [*below_zero(line), *_straight(found, line)]


def _way(found: Quasi) -> float:
    """How far the gap goes over the points [m], the outermost left out."""
    return float(np.quantile(found.points.gap, 0.98) - np.quantile(found.points.gap, 0.02))


def _too_little(found: Quasi, line: Line) -> list[Flag]:
    relative = line.slope.expanded / abs(line.slope.value)
    if line.slope.value > 0.0 and relative <= WORTH:
        return []
    way = _way(found)
    shared = line.slope.k * line.shared_slope
    text = (
        f"the gap moves by {shown_difference(way, 'gap'):.2g} um over the quasi-steady part, which gives the slope to"
    )
    text += f" ± {100 * relative:.0f} %"
    if shared < WORTH:
        enough = way * math.sqrt(max(relative**2 - shared**2, 0.0) / (WORTH**2 - shared**2))
        text += f"; about {shown_difference(enough, 'gap'):.2g} um would give ± {100 * WORTH:.0f} %"
    return [Flag("gap_moves_too_little", Severity.BLOCKS, text)]


def _straight(found: Quasi, line: Line) -> list[Flag]:
    flags = []
    fit = line.fit
    wide = remembering(fit)
    u = wide.factor / np.sqrt(fit.weights)
    coefficient, u_c = quadratic_term(found.points.gap, y=found.points.impedance, u=u)
    if float(two_sided_p(coefficient / u_c, dof=wide.dof)) < _CURVED:
        message = "impedance against gap bends: conductivity or contacts change on the way, or heat is still stored"
        flags.append(Flag("curved", Severity.CAUTIONS, message, BOTH))
    if fit.chi2 / fit.dof > _POOR**2:
        times = math.sqrt(fit.chi2 / fit.dof)
        message = (
            f"the points lie {times:.2g} times as far from the line as they scatter; the uncertainties were widened"
        )
        flags.append(Flag("lack_of_fit", Severity.CAUTIONS, message, BOTH))
    return flags


def _points(found: Quasi, line: Line | None) -> dict[str, object]:
    rows = np.unique(np.linspace(0, found.time.size - 1, min(found.time.size, _LISTED)).astype(int))
    entry: dict[str, object] = {
        "used": int(found.time.size),
        "heated_blocks": found.looked_at,
        "gap_way_um": shown_difference(_way(found), "gap"),
        "heat_capacity_J_per_K": found.capacity,
        "time_s": [float(found.time[row]) for row in rows],
        "gap_um": [shown(float(found.points.gap[row]), "gap") for row in rows],
        "thermal_impedance_mm2_K_per_W": [
            shown(float(found.points.impedance[row]), "thermal_impedance") for row in rows
        ],
    }
    if line is not None:
        entry |= {
            "effective_points": remembering(line.fit).dof + 2.0,
            "slope_mm2_K_per_W_per_um": line.slope.value,
            "U95_slope": line.slope.expanded,
            "intercept_mm2_K_per_W": shown(line.intercept.value, "contact_impedance"),
            "correlation": line.correlation,
        }
    return entry


def _comparison(conductivity: Measured | None, series: Mapping[str, Any] | None) -> dict[str, object]:
    """The conductivity beside that of a series: difference over its expanded uncertainty, at most 1 where they agree.

    Errors that both share, of one rig, make this the more cautious to call a difference.
    """
    other = _of_series(series)
    if conductivity is None or other is None:
        return {}
    normal = abs(conductivity.value - other.value) / math.hypot(conductivity.expanded, other.expanded)
    return {"series": figure_entry(other, "conductivity"), "normalised_error": normal, "agree": normal <= 1.0}


def _of_series(series: Mapping[str, Any] | None) -> Measured | None:
    """The conductivity in the outcome of a series; UnreadableFile where there is none."""
    if series is None:
        return None
    try:
        entry = series["figures"]["conductivity"]
        unit = str(entry["unit"])
        dof = math.inf if entry.get("dof") is None else float(entry["dof"])
        u = float(entry["u"]) * conversion(unit, "conductivity").factor
        return Measured(to_si(float(entry["value"]), unit, "conductivity"), u, dof)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        message = "expected the outcome of a thickness series with a conductivity"
        raise UnreadableFile(message, where=Where(key="series")) from error


def _text(found: Quasi | str, conductivity: Measured | None, series: Mapping[str, Any] | None) -> tuple[str, ...]:
    if isinstance(found, str):
        return ("no line through impedance against gap",)
    ends: Array = found.points.gap[[0, -1]]
    lines = [
        f"{found.time.size} quasi-steady blocks of {found.looked_at} heated ones; gap from "
        f"{shown(float(ends[0]), 'gap'):.1f} um to {shown(float(ends[1]), 'gap'):.1f} um"
    ]
    other = _of_series(series)
    if other is not None and conductivity is not None:
        agree = _comparison(conductivity, series)["agree"]
        verdict = "agrees" if agree else "does not agree"
        lines.append(f"the series' {figure_text(other, 'conductivity')} {verdict} within both uncertainties")
    return tuple(lines)
