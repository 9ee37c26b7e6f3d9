"""What a thickness series must meet before a line is drawn, and what must be said about the line."""

from __future__ import annotations

import math

import numpy as np

from analysis.results import Flag, Severity
from analysis.thickness.line import Line, Straightness, groups
from analysis.thickness.points import LeftOut, Point, Points, described
from analysis.units import from_si, shown, shown_difference

FEWEST = 3  # results, and different gaps (common practice in tests of this kind)
WORTH = 0.30  # relative expanded uncertainty above which a conductivity is not worth giving; common practice, no source
PRESSURE = 0.05  # relative, around the median; common practice, no source
TEMPERATURE = 10.0  # [K] from coldest to hottest; common practice, no source
UNLIKELY = 0.01
BOTH = ("conductivity", "contact_impedance")


def refused(points: tuple[Point, ...], left_out: tuple[LeftOut, ...]) -> list[Flag]:
    """Why there can be no line through these results at all."""
    if len(points) >= FEWEST:
        return _pressures(points)
    why = "; ".join(f"{one.name}: {one.reason}" for one in left_out)
    message = f"{len(points)} results can be used, {FEWEST} are needed" + (f" (left out: {why})" if why else "")
    return [Flag("too_few_points", Severity.BLOCKS, message)]


def _pressures(points: tuple[Point, ...]) -> list[Flag]:
    known = [(point.pressure.value, point) for point in points if point.pressure is not None]
    if not known:
        return []
    middle = float(np.median([value for value, _ in known]))
    slack = [point.pressure.expanded for _, point in known if point.pressure is not None]
    far = [
        point
        for (value, point), extra in zip(known, slack, strict=True)
        if abs(value - middle) > PRESSURE * abs(middle) + extra
    ]
    if not far:
        return []
    listed = ", ".join(
        f"{point.name} {shown(point.pressure.value, 'pressure'):.4g} kPa" for point in far if point.pressure
    )
    message = (
        f"the pressures are mixed: {listed}, the middle of all {shown(middle, 'pressure'):.4g} kPa; "
        f"a series is taken at one pressure, within {100 * PRESSURE:.0f} %"
    )
    return [Flag("pressures_mixed", Severity.BLOCKS, message)]


def different_gaps(points: Points) -> list[Flag]:
    """A flag where the gaps are not different enough to be three."""
    count = len(groups(points))
    if count >= FEWEST:
        return []
    least = 2.0 * math.sqrt(2.0) * float(np.max(points.u_gap))
    message = (
        f"the gaps are {count} within their uncertainty, {FEWEST} different ones are needed; "
        f"gaps that differ by more than {shown_difference(least, 'gap'):.2g} um count as different"
    )
    return [Flag("gaps_alike", Severity.BLOCKS, message)]


def too_uncertain(points: Points, line: Line) -> list[Flag]:
    """A flag where the slope is not known well enough, with the spread of gaps that would do."""
    relative = line.slope.expanded / abs(line.slope.value)
    if line.slope.value > 0.0 and relative <= WORTH:
        return []
    spread = float(np.ptp(points.gap))
    shared = line.slope.k * line.shared_slope
    over = shown_difference(spread, "gap")
    text = f"the gaps spread over {over:.3g} um, which gives the slope to ± {100 * relative:.0f} %"
    if shared < WORTH and math.isfinite(relative):
        enough = spread * math.sqrt(max(relative**2 - shared**2, 0.0) / (WORTH**2 - shared**2))
        do = f"a spread of about {shown_difference(enough, 'gap'):.2g} um would give ± {100 * WORTH:.0f} %"
    else:
        do = f"no spread would do: what all results share alone makes ± {100 * shared:.0f} %"
    return [Flag("spread_too_small", Severity.BLOCKS, f"{text}; {do}")]


def remarks(points: Points, line: Line, straight: Straightness) -> list[Flag]:
    """What must be read beside the figures."""
    return [*below_zero(line), *_fit(line, straight), *_conditions(points)]


def below_zero(line: Line) -> list[Flag]:
    """A contact impedance cannot be negative: the zero of the gap is the likely culprit, and nothing is clipped."""
    value, expanded = line.intercept.value, line.intercept.expanded
    if value >= 0.0:
        return []
    certain = value + expanded < 0.0
    r, width = shown(value, "contact_impedance"), shown(expanded, "contact_impedance")
    words = "is below zero by more than its uncertainty" if certain else "is below zero, within its uncertainty"
    offset, doubt = shown(line.offset.value, "gap"), shown_difference(line.offset.expanded, "gap")
    message = (
        f"the intercept {r:.3g} ± {width:.2g} mm^2*K/W {words}; a zero that makes every gap read "
        f"{offset:.2g} um too large (± {doubt:.2g} um) would explain it: check the zero; "
        "the conductivity from the slope stands"
    )
    return [
        Flag("intercept_negative", Severity.BLOCKS if certain else Severity.CAUTIONS, message, ("contact_impedance",))
    ]


def _fit(line: Line, straight: Straightness) -> list[Flag]:
    flags = []
    if straight.lack_of_fit < UNLIKELY:
        times = math.sqrt(line.fit.chi2 / line.fit.dof)
        message = (
            f"the points lie {times:.2g} times as far from the line as their own uncertainties explain "
            f"(probability {straight.lack_of_fit:.2g}); the uncertainties of the figures were widened for it"
        )
        flags.append(Flag("lack_of_fit", Severity.CAUTIONS, message, BOTH))
    if straight.replicates < UNLIKELY:
        message = (
            "the means at each gap lie further from the line than results at one gap from one another "
            f"(probability {straight.replicates:.2g})"
        )
        flags.append(Flag("lack_of_fit_replicates", Severity.CAUTIONS, message, BOTH))
    if straight.curvature < UNLIKELY:
        way = "less" if straight.curvature_coefficient < 0.0 else "more"
        message = (
            f"the points bend: thick layers add {way} impedance a micrometre than thin ones (probability "
            f"{straight.curvature:.2g}); conductivity or contacts change with the gap"
        )
        flags.append(Flag("curved", Severity.CAUTIONS, message, BOTH))
    return flags


def _conditions(points: Points) -> list[Flag]:
    flags = []
    lacking = [point for point in points.points if point.pressure is None]
    if lacking:
        message = (
            f"no pressure is known for {', '.join(described(point) for point in lacking)}; one pressure was assumed"
        )
        flags.append(Flag("pressure_unknown", Severity.CAUTIONS, message, BOTH))
    known = [point.temperature for point in points.points if point.temperature is not None]
    if known and max(known) - min(known) > TEMPERATURE:
        low, high = (from_si(value, "degC", "temperature") for value in (min(known), max(known)))
        message = f"the mean layer temperatures lie between {low:.1f} degC and {high:.1f} degC"
        flags.append(Flag("temperatures_differ", Severity.CAUTIONS, message, BOTH))
    return flags
