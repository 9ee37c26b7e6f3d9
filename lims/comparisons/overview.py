"""What a manager asks of the whole laboratory: best rises over the months, what is in the pipeline, how rigs are used.

Every part reads a bounded number of rows, whatever the laboratory has gathered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.core.cache import cache
from django.db.models import Count, Max, Sum
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.comparisons import bridge
from lims.comparisons.bridge import Best
from lims.comparisons.selectors import COUNTS, OF_THE_RIG, asked_of, rows_among
from lims.formulations.bridge import cost_of
from lims.formulations.models import Batch, FormulationVersion
from lims.formulations.states import BatchState, VersionState
from lims.materials.models import Lot
from lims.materials.states import LotState
from lims.rigs.models import MethodVersion, Rig
from lims.runs.models import Run
from lims.samples.models import Sample

READ = "laboratory.read"
RECIPE = "recipe.read"
MONTHS, DAYS = 12, 30
MOST_METHODS, MOST_RUNS, MOST_RIGS = 4, 3000, 20
KEPT_SECONDS = 300


@dataclass(frozen=True, slots=True)
class MethodsBest:
    """The best rise of each month under one method version; `cut`: only the newest runs were read."""

    method: str
    name: str
    best: tuple[Best, ...]
    cut: bool


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage of the pipeline: how many records stand there, and the address query of the list that shows them."""

    label: str
    count: int
    page: str
    query: str


@dataclass(frozen=True, slots=True)
class RigUse:
    """What one rig did in the last days."""

    code: str
    name: str
    applications: int
    runs: int
    hours: float
    last: Any


@dataclass(frozen=True, slots=True)
class Costed:
    """What a kg of a sample's recipe costs in materials, beside its best rise; without a cost, why."""

    sample: str
    figure: dict[str, Any]
    cost: Decimal | None
    currency: str
    why: str


@dataclass(frozen=True, slots=True)
class Overview:
    """Everything on the page. `costs` is None where the reader may not see what recipes cost."""

    methods: tuple[MethodsBest, ...]
    pipeline: tuple[Stage, ...]
    lots: tuple[Stage, ...]
    rigs: tuple[RigUse, ...]
    costs: tuple[Costed, ...] | None
    since: Any
    rigs_since: Any


def overview_for(user: User) -> Overview:
    """The laboratory in one screen; kept for some minutes, for a meeting reloads it often."""
    require(user, READ)
    found: tuple[Any, ...] | None = cache.get("overview")
    if found is None:
        found = (_methods(), _pipeline(), _lots(), _rigs())
        cache.set("overview", found, KEPT_SECONDS)
    methods, pipeline, lots, rigs = found
    costs = _costs(methods) if user.may(RECIPE) else None
    return Overview(methods, pipeline, lots, rigs, costs, _first_day(), timezone.localdate() - timedelta(days=DAYS))


def _first_day() -> Any:
    """The first day of the month eleven months ago."""
    today = timezone.localdate()
    months = today.year * 12 + today.month - MONTHS
    return today.replace(year=months // 12, month=months % 12 + 1, day=1)


def _methods() -> tuple[MethodsBest, ...]:
    runs = Run.objects.filter(state__in=COUNTS, uploaded_at__date__gte=_first_day(), application__isnull=False)
    runs = runs.exclude(kind__in=OF_THE_RIG)
    used = (
        runs.order_by()
        .values("application__method_version")
        .annotate(count=Count("id"))
        .order_by("-count", "application__method_version")[:MOST_METHODS]
    )
    versions = MethodVersion.objects.select_related("method").in_bulk(
        [one["application__method_version"] for one in used]
    )
    return tuple(_best_under(versions[one["application__method_version"]], runs, one["count"]) for one in used)


def _best_under(version: MethodVersion, runs: Any, count: int) -> MethodsBest:
    newest = runs.filter(application__method_version=version).order_by("-id")[:MOST_RUNS]
    asked = asked_of(version)
    best = bridge.best_by_month(rows_among(newest, asked.figure), asked=asked)
    return MethodsBest(version.code, version.method.name, best, count > MOST_RUNS)


def _pipeline() -> tuple[Stage, ...]:
    versions = dict(FormulationVersion.objects.values_list("state").annotate(Count("id")).order_by())
    tested = Batch.objects.exclude(samples__applications__runs=None).distinct().count()
    batches = dict(Batch.objects.values_list("state").annotate(Count("id")).order_by())
    return (
        *(_stage(VersionState(one), versions, "formulations") for one in ("draft", "in_review", "approved")),
        *(_stage(BatchState(one), batches, "batches") for one in ("made", "under_test")),
        Stage("measured on a rig", tested, "batches", ""),
        _stage(BatchState.RELEASED, batches, "batches"),
    )


def _lots() -> tuple[Stage, ...]:
    waiting = (LotState.QUARANTINE, LotState.UNDER_TEST)
    counts = dict(Lot.objects.filter(state__in=waiting).values_list("state").annotate(Count("id")).order_by())
    return tuple(_stage(state, counts, "lots") for state in waiting)


def _stage(state: Any, counts: dict[str, int], page: str) -> Stage:
    query = "" if page == "formulations" else f"state={state.value}"
    return Stage(str(state.label).lower(), counts.get(state.value, 0), page, query)


def _rigs() -> tuple[RigUse, ...]:
    since = timezone.now() - timedelta(days=DAYS)
    used = {
        one["rig"]: one
        for one in Run.objects.filter(uploaded_at__gte=since)
        .order_by()
        .values("rig")
        .annotate(
            runs=Count("id"), on=Count("application", distinct=True), seconds=Sum("seconds"), last=Max("uploaded_at")
        )
    }
    nothing: dict[str, Any] = {"runs": 0, "on": 0, "seconds": 0.0, "last": None}
    found = []
    for rig in Rig.objects.order_by("code")[:MOST_RIGS]:
        one = used.get(rig.pk, nothing)
        hours = timedelta(seconds=one["seconds"] or 0.0) / timedelta(hours=1)
        found.append(RigUse(rig.code, rig.name, one["on"], one["runs"], hours, one["last"]))
    return tuple(found)


def _costs(methods: Sequence[MethodsBest]) -> tuple[Costed, ...]:
    """The best samples of the months with what their recipe costs, cheapest first, those without a cost last."""
    best = {one.sample: one.figure for method in methods for one in method.best}
    samples = (
        Sample.objects.filter(code__in=best, batch__recipe__isnull=False)
        .select_related("batch__recipe")
        .prefetch_related("batch__recipe__lines__material")
    )
    found = []
    for sample in samples:
        recipe = sample.batch.recipe if sample.batch else None
        cost = cost_of((line.material, line.fraction) for line in recipe.lines.all()) if recipe else None
        if cost is not None:
            found.append(Costed(sample.code, best[sample.code], cost.per_kg, cost.currency, cost.why))
    return tuple(sorted(found, key=lambda one: (one.cost is None, one.cost or Decimal(0), one.sample)))
