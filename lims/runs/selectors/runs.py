"""Read runs, with what stands around them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db.models import (
    Count,
    DateTimeField,
    DurationField,
    ExpressionWrapper,
    F,
    Func,
    Q,
    QuerySet,
)
from django.db.models.functions import Coalesce

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.audit.models import Entry
from lims.core.errors import NotFound
from lims.rigs.models import Rig
from lims.runs.models import Application, Reduction, Run
from lims.runs.states import ApplicationState, ReductionState, RunState
from lims.samples.models import Sample

READ = "laboratory.read"
AROUND = ("application__sample", "application__method_version", "rig", "uploaded_by", "file", "current")
LONG = ("current__result", "current__setup", "current__environment", "current__calibrations")
STATES = RunState.choices
KINDS = Run.Kind.choices
REDUCIBLE = (RunState.CHECKING, RunState.ACCEPTED, RunState.UNQUALIFIED)
AT_WORK = (ReductionState.QUEUED, ReductionState.REDUCING)
ZERO_REACH = timedelta(days=7)  # an older zero is never taken by itself; whether it is too old the rig's limit says
DAY = timedelta(days=1)
LASTED = Func(F("seconds"), template="make_interval(secs => %(expressions)s)", output_field=DurationField())
OPEN_FOR_RUNS = (ApplicationState.APPLIED, ApplicationState.SETTLED, ApplicationState.MEASURED)


def runs_for(user: User) -> QuerySet[Run]:
    """The runs this person may see, newest first."""
    require(user, READ)
    return Run.objects.select_related(*AROUND).defer(*LONG).order_by("-id")


def get_run_for(user: User, code: str) -> Run:
    """One run by its code, where this person may see it."""
    found = (
        runs_for(user)
        .select_related("zero", "zero_after", "configuration", "application__hot_block", "application__cold_block")
        .filter(code=code)
        .first()
    )
    if found is None:
        raise NotFound(f"There is no run {code}.")
    return found


def narrowed(runs: QuerySet[Run], wanted: Mapping[str, Any]) -> QuerySet[Run]:
    """The runs that fit a filter: state, kind, rig, person, sample, method, since, until, flag; blanks do nothing."""
    names = {
        "state": "state",
        "kind": "kind",
        "rig": "rig__code",
        "person": "uploaded_by__username",
        "sample": "application__sample__code",
        "method": "application__method_version__code",
        "since": "uploaded_at__date__gte",
        "until": "uploaded_at__date__lte",
    }
    runs = runs.filter(**{lookup: wanted[name] for name, lookup in names.items() if wanted.get(name)})
    if flag := wanted.get("flag"):
        sought = {"severity": "blocks"} if flag == "any" else {"code": flag}
        runs = runs.filter(current__flags__contains=[sought])
    return runs


def run_with_file(sha256: str) -> Run | None:
    """The run that holds these bytes, unless it was refused."""
    return Run.objects.filter(file__sha256=sha256).exclude(state=RunState.REFUSED).select_related("uploaded_by").first()


def reduction_at_work(run: Run) -> Reduction | None:
    """The reduction of a run that waits or is being computed."""
    return run.reductions.filter(state__in=AT_WORK).defer("result", "setup").first()


def zeros_around(
    rig: Rig, start: datetime | None, *, no_later_than: datetime | None = None
) -> tuple[Run | None, Run | None]:
    """The youngest zero of a rig before `start`, and the next one after it within the same day (24 h).

    Where a file does not tell when it was recorded it was before `no_later_than`, and there is no zero after it.
    """
    zeros = _accepted_zeros(rig)
    moment = start or no_later_than
    if moment is None:
        return None, None
    before = zeros.filter(began__lte=moment, began__gt=moment - ZERO_REACH).order_by("-began").first()
    if start is None:
        return before, None
    return before, zeros.filter(began__gt=start, began__lte=start + DAY).order_by("began").first()


def _accepted_zeros(rig: Rig | int) -> QuerySet[Any]:
    return Run.objects.filter(rig=rig, kind=Run.Kind.ZERO, state__in=(RunState.ACCEPTED, RunState.LOCKED)).annotate(
        began=Coalesce("started_at", "uploaded_at")
    )


def youngest_zeros(rigs: Iterable[int]) -> dict[int, Run]:
    """The youngest accepted zero of each of some rigs, by the rig's key, with `began`."""
    zeros = Run.objects.filter(rig__in=rigs, kind=Run.Kind.ZERO, state__in=(RunState.ACCEPTED, RunState.LOCKED))
    found = zeros.annotate(began=Coalesce("started_at", "uploaded_at")).order_by("rig_id", "-began").distinct("rig_id")
    return {run.rig_id: run for run in found}


def zero_choices(run: Run) -> QuerySet[Run]:
    """The zeros a person may choose for a run: accepted ones of its rig, the youngest first."""
    return _accepted_zeros(run.rig_id).order_by("-began")


def runs_touched_by(zero: Run) -> QuerySet[Run]:
    """Runs that a zero which has just come may bear on: of its rig, a day around it, their zeros not chosen by hand."""
    moment = zero.started_at or zero.uploaded_at
    runs: QuerySet[Any] = Run.objects.annotate(began=Coalesce("started_at", "uploaded_at"))
    return (
        runs.filter(
            rig=zero.rig_id,
            zeros_by_hand=False,
            state__in=(RunState.ACCEPTED, RunState.UNQUALIFIED),
            began__gte=moment - DAY,
            began__lte=moment + DAY,
        )
        .exclude(kind__in=(Run.Kind.ZERO, Run.Kind.RIG))
        .select_related("rig", "zero", "zero_after")
    )


def overlapping(run: Run) -> QuerySet[Run]:
    """Other runs of the same rig whose recording overlaps this one's in time."""
    if run.started_at is None or run.seconds is None:
        return Run.objects.none()
    return (
        Run.objects.filter(rig=run.rig_id, started_at__lt=run.started_at + timedelta(seconds=run.seconds))
        .annotate(ends=ExpressionWrapper(F("started_at") + LASTED, output_field=DateTimeField()))
        .filter(ends__gt=run.started_at)
        .exclude(pk=run.pk)
        .exclude(state__in=(RunState.REFUSED, RunState.INVALIDATED))
    )


def applications_open(rig: Rig | None = None) -> QuerySet[Application]:
    """The applications that take runs now, newest first."""
    found = Application.objects.filter(state__in=OPEN_FOR_RUNS).select_related("sample", "rig", "method_version")
    return found.filter(rig=rig) if rig else found


def attempts_of(sample: Sample) -> dict[str, int]:
    """How many runs of a sample there are in each state; aborted and refused ones count as attempts too."""
    rows = Run.objects.filter(application__sample=sample).values("state").annotate(n=Count("id")).order_by("state")
    return {row["state"]: row["n"] for row in rows}


def history_for(run: Run) -> QuerySet[Entry]:
    """What happened to a run and to its reductions, newest first."""
    codes = list(run.reductions.values_list("code", flat=True))
    about = Q(subject_kind="run", subject_code=run.code) | Q(subject_kind="reduction", subject_code__in=codes)
    return Entry.objects.filter(about).select_related("actor").order_by("-id")


def zero_hours(run: Run) -> float | None:
    """How old the zero was when the run began [h]."""
    if run.zero is None or run.zero.started_at is None or run.started_at is None:
        return None
    end = run.zero.started_at + timedelta(seconds=run.zero.seconds or 0.0)
    return max(run.started_at - end, timedelta(0)) / timedelta(hours=1)


def zeroed_by(run: Run) -> QuerySet[Run]:
    """The runs that use a zero."""
    if run.kind != Run.Kind.ZERO:
        return Run.objects.none()
    return Run.objects.filter(Q(zero=run) | Q(zero_after=run)).order_by("id")[:50]
