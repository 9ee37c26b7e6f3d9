"""Points of control charts, their limits and signals, and capability: read from the records, computed by `analysis`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import QuerySet

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.errors import NotFound
from lims.core.finding import by_code
from lims.core.quantities import from_si, spread_from_si
from lims.formulations.models import Batch
from lims.materials.models import LotProperty
from lims.quality import bridge
from lims.quality.models import ControlChart, ControlPhase, ControlSignal
from lims.runs.selectors.batches import figures_of_batch
from lims.runs.selectors.reference import figures_of_reference
from lims.specifications.selectors import dimension_of, in_force_for, label_of, shown_unit_of

RULES = bridge.RULES


@dataclass(frozen=True, slots=True)
class Point:
    """One result on a chart: its code, when it came to be, its value and standard uncertainty in SI."""

    code: str
    at: datetime
    value: float
    u: float | None = None


def charts() -> QuerySet[ControlChart]:
    """Every chart, newest first."""
    return ControlChart.objects.prefetch_related("signals").order_by("-id")


def get_chart_for(user: User, code: str) -> ControlChart:
    """One chart, for those who may read the laboratory's records."""
    require(user, "laboratory.read")
    return by_code(charts(), code, "control chart")


def points_of(chart: ControlChart) -> list[Point]:
    """The points of a chart, oldest first."""
    found = {"rig": _of_rig, "material": _of_material, "formulation": _of_formulation}[chart.subject_kind](chart)
    return sorted(found, key=lambda point: point.at)


@dataclass(frozen=True, slots=True)
class ShownPoint:
    """A point as a page shows it: its value in the unit people see."""

    code: str
    at: datetime
    shown: float


def shown_points(chart: ControlChart) -> list[ShownPoint]:
    """The points of a chart in the unit people see, oldest first."""
    unit, of = shown_unit_of(chart.quantity), dimension_of(chart.quantity)
    return [ShownPoint(p.code, p.at, float(from_si(p.value, unit=unit, of=of))) for p in points_of(chart)]


def _of_rig(chart: ControlChart) -> Iterable[Point]:
    rows = figures_of_reference(chart.sample_code, rig=chart.subject_code, method=chart.method_code)
    for row in rows:
        figure = row.figures.get(chart.quantity)
        if figure and figure.get("value") is not None:
            yield Point(row.run, row.at, float(figure["value"]), figure.get("u"))


def _of_material(chart: ControlChart) -> Iterable[Point]:
    rows = LotProperty.objects.filter(
        lot__material__code=chart.subject_code,
        quantity=chart.quantity,
        source=LotProperty.Source.OWN,
        replaced_by__isnull=True,
    )
    for row in rows.select_related("lot").order_by("entered_at"):
        yield Point(f"{row.lot.code} result {row.pk}", row.entered_at, row.value, row.u)


def _of_formulation(chart: ControlChart) -> Iterable[Point]:
    batches = Batch.objects.filter(recipe__formulation__code=chart.subject_code, exploratory=False).order_by("id")
    for batch in batches:
        figures = [f for f in figures_of_batch(batch) if f.quantity == chart.quantity]
        if figures:
            mean = sum(f.value for f in figures) / len(figures)
            yield Point(batch.code, batch.created_at, mean)


def phase_of(chart: ControlChart) -> ControlPhase | None:
    """The phase in force: the last one signed."""
    return chart.phases.select_related("signature").first()


def watched(chart: ControlChart, phase: ControlPhase) -> tuple[list[Point], int]:
    """The points from the phase on, in order, and how many of them are the phase's own."""
    own = set(phase.points)
    points = points_of(chart)
    first = [point for point in points if point.code in own]
    later = [point for point in points if point.code not in own and (not first or point.at >= first[0].at)]
    return first + later, len(first)


def breaches(chart: ControlChart) -> list[tuple[Point, str]]:
    """Every rule broken by a point after the first phase."""
    phase = phase_of(chart)
    if phase is None:
        return []
    points, own = watched(chart, phase)
    found = bridge.signals_of([p.value for p in points], level=phase.level, sigma=phase.sigma, rules=chart.rules)
    return [(points[at], rule) for at, rule in found if at >= own]


def open_signals() -> QuerySet[ControlSignal]:
    """Signals that nobody has answered, oldest first."""
    return ControlSignal.objects.filter(answered_at=None).select_related("chart").order_by("id")


def get_signal_for(user: User, chart: ControlChart, number: int) -> ControlSignal:
    """One signal of a chart."""
    require(user, "laboratory.read")
    found = chart.signals.filter(pk=number).first()
    if found is None:
        raise NotFound(f"{chart.code} has no signal {number}.")
    return found


def drawing_of(chart: ControlChart) -> dict[str, Any] | None:
    """The chart as a plot; None while there is no phase."""
    phase = phase_of(chart)
    if phase is None:
        return None
    unit, of = shown_unit_of(chart.quantity), dimension_of(chart.quantity)
    points, own = watched(chart, phase)
    rows = [(p.code, f"{p.at:%Y-%m-%d}", float(from_si(p.value, unit=unit, of=of))) for p in points]
    level, sigma = from_si(phase.level, unit=unit, of=of), spread_from_si(phase.sigma, unit=unit, of=of)
    return bridge.control_plot(
        rows,
        axis=(label_of(chart.quantity).capitalize(), unit),
        phase=(float(level), float(sigma), own),
        rules=chart.rules,
    )


def capability_of(chart: ControlChart) -> bridge.Capable | None:
    """Capability against the limits in force now; None where no limit stands for what the chart watches."""
    for version in in_force_for(chart.subject_kind, chart.subject_code):
        for limit in version.limits.filter(quantity=chart.quantity):
            values: Sequence[float] = [point.value for point in points_of(chart)]
            return bridge.capable(values, limit=limit)
    return None


def title_of(chart: ControlChart) -> str:
    """What a chart watches, in words."""
    what = f"{label_of(chart.quantity)} of {chart.subject_code}"
    return f"{what}, {chart.sample_code} by {chart.method_code}" if chart.subject_kind == "rig" else what
