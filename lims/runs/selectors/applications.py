"""Read applications: their pressure, their runs, and whether the work may begin."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import isclose
from typing import Any

from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.selectors import held_codes
from lims.cases.services import refuse_if_held
from lims.core.codes import expect_kind
from lims.core.errors import Conflict, Refusal
from lims.core.finding import by_code
from lims.rigs.models import Block, MethodVersion, Rig
from lims.rigs.readiness import Readiness, readiness_of, refuse_unusable
from lims.rigs.selectors import configuration_at
from lims.runs.models import Application, ApplicationPhoto, BlockPermit, Reduction, Run
from lims.runs.selectors.runs import youngest_zeros, zeros_around
from lims.runs.states import ApplicationState
from lims.samples.models import Sample
from lims.samples.selectors import attacks, why_not_applicable
from lims.samples.states import APPLICABLE

READ = "laboratory.read"
WHEN = ApplicationPhoto.When.choices
# faces of one nominal size differ by less than this share
AREAS_AGREE = 0.01


def applications_for(
    user: User, *, text: str = "", state: str = "", rig: str = "", sample: str = "", method: str = ""
) -> QuerySet[Application]:
    """The applications this person may see, newest first, narrowed by code, state, rig, sample and method version."""
    require(user, READ)
    rows = Application.objects.select_related("sample", "rig", "method_version__method", "planned_by", "applied_by")
    rows = rows.annotate(run_count=Count("runs", distinct=True))
    if text:
        rows = rows.filter(_matching(text))
    if state in ApplicationState.values:
        rows = rows.filter(state=state)
    wanted = {"rig__code": rig, "sample__code": sample, "method_version__code": method}
    return rows.filter(**{field: value for field, value in wanted.items() if value}).order_by("-id")


def applications_on(user: User, block: Block) -> QuerySet[Application]:
    """The applications put on a block, newest first."""
    return applications_for(user).filter(Q(hot_block=block) | Q(cold_block=block))


def _matching(text: str) -> Q:
    for kind, field in (("application", "code"), ("sample", "sample__code"), ("rig", "rig__code")):
        try:
            return Q(**{field: expect_kind(text, kind)})
        except Refusal:
            continue
    return Q(sample__name__icontains=text)


def get_application_for(user: User, code: str) -> Application:
    """One application by its code, where this person may see it."""
    require(user, READ)
    rows = Application.objects.select_related(
        "sample__batch",
        "sample__lot__material",
        "rig",
        "method_version__method",
        "planned_by",
        "applied_by",
        "hot_block",
        "cold_block",
        "coverage_photo",
    )
    return by_code(rows, code, "application")


@dataclass(frozen=True, slots=True)
class Counts:
    """The three levels of repeating, told apart: put on again, run again, reduced again."""

    applications: int
    runs: int
    reductions: int


def counts_of(application: Application) -> Counts:
    """How often one application was run and reduced; it counts once, however often it was run."""
    return _counts(Q(pk=application.pk))


def counts_of_sample(sample: Sample) -> Counts:
    """How often a sample was put on, run and reduced; void applications do not count."""
    return _counts(Q(sample=sample))


def _counts(which: Q) -> Counts:
    applications = Application.objects.filter(which, applied_at__isnull=False).exclude(state=ApplicationState.VOID)
    runs = Run.objects.filter(application__in=applications)
    return Counts(applications.count(), runs.count(), Reduction.objects.filter(run__in=runs).count())


def area_of(application: Application) -> float:
    """The face both blocks share [m2]: the smaller one."""
    return min(application.hot_block.area, application.cold_block.area)


def pressure_of(application: Application) -> float | None:
    """The pressure [Pa]: force over the covered part of the face; the whole face until the coverage is known."""
    if application.force is None:
        return None
    covered = application.coverage if application.coverage is not None else 1.0
    return application.force / (area_of(application) * covered) if covered else None


def uses_of(block: Block) -> int:
    """How many applications were put on a block."""
    return Application.objects.filter(Q(hot_block=block) | Q(cold_block=block), applied_at__isnull=False).count()


def permitted(sample: Sample, block: Block) -> bool:
    """Whether quality has permitted this sample on this block."""
    return BlockPermit.objects.filter(sample=sample, block=block).exists()


def permits_of(sample: Sample) -> QuerySet[BlockPermit]:
    """The permits of a sample."""
    return sample.block_permits.select_related("block", "by").order_by("id")


# May the work begin?


@dataclass(frozen=True, slots=True)
class Zero:
    """The youngest zero of a rig, how old it is, and whether it is young enough for a run now."""

    run: Run | None
    age: timedelta | None
    max_age: timedelta | None

    @property
    def young(self) -> bool:
        return self.age is not None and self.max_age is not None and self.age <= self.max_age


def zero_of(rig: Rig, at: datetime | None = None) -> Zero:
    """The youngest zero of a rig at a time."""
    moment = at or timezone.now()
    try:
        max_age = configuration_at(rig, moment).zero_max_age
    except Conflict:
        max_age = None
    run, _ = zeros_around(rig, moment)
    return _zero(run, moment, max_age)


def zeros_of(now: Iterable[Readiness]) -> dict[int, Zero]:
    """The youngest zero of each of some rigs, by their keys; one query for all."""
    listed = list(now)
    youngest = youngest_zeros([ready.rig.pk for ready in listed])
    return {
        ready.rig.pk: _zero(
            youngest.get(ready.rig.pk), ready.at, ready.configuration.zero_max_age if ready.configuration else None
        )
        for ready in listed
    }


def _zero(run: Any, at: datetime, max_age: timedelta | None) -> Zero:
    """`run` carries `began`, when it was recorded as far as that is known."""
    return Zero(run, at - run.began if run is not None else None, max_age)


def refuse_sample(sample: Sample) -> None:
    """Refuse a sample that is on hold or in nobody's hands; expiry and hold time ask for a reason later."""
    refuse_if_held("sample", sample.code)
    if sample.state not in APPLICABLE:
        raise Conflict(
            f"{sample.code} is {sample.get_state_display()}; only a sample that is held can be applied.",
            code="sample-not-held",
            next_step="Take it into custody first, or take another sample.",
            state=sample.state,
        )


@dataclass(frozen=True, slots=True)
class RigNow:
    """A rig as a list shows it: why it may not be used ("" where it may), its zero, its next due day."""

    rig: Rig
    stop: str
    zero: Zero
    due: date | None


def rigs_now(rigs: Iterable[Rig]) -> list[RigNow]:
    """Some rigs as they are now; as many queries for many rigs as for one."""
    now = readiness_of(rigs)
    held, zeros = held_codes("rig"), zeros_of(now.values())
    return [
        RigNow(ready.rig, _stop_of(ready, ready.rig.code in held), zeros[key], ready.next_due)
        for key, ready in now.items()
    ]


def _stop_of(ready: Readiness, held: bool) -> str:
    if ready.refusal is not None:
        return ready.refusal.message
    return f"{ready.rig.code} is on hold." if held else ""


def refuse_rig(rig: Rig, at: datetime | None = None) -> None:
    """Refuse a rig that is on hold, out of service or out of calibration."""
    refuse_if_held("rig", rig.code)
    refuse_unusable(rig, at)


def refuse_block(block: Block, *, rig: Rig, version: MethodVersion, at: datetime | None = None) -> None:
    """Refuse a block that is not on the rig, or whose face is not what the method asks for, or that is worn."""
    configuration = configuration_at(rig, at or timezone.now())
    mounted = (configuration.hot_block, configuration.cold_block)
    if block not in mounted:
        raise Conflict(
            f"{block.code} is not on {rig.code}; it has {' and '.join(b.code for b in mounted)}.",
            code="block-not-on-rig",
            next_step="Scan the blocks of the rig, or have the rig keeper enter the new blocks.",
        )
    if not isclose(block.area, version.area, rel_tol=AREAS_AGREE):
        raise Conflict(
            f"The face of {block.code} has another area than {version.code} asks for.",
            code="block-area",
            next_step="Take a rig with blocks of the method's area.",
        )
    if block.finish.strip().casefold() != version.surface.strip().casefold():
        raise Conflict(
            f"{block.code} is {block.finish}; {version.code} asks for {version.surface}.",
            code="block-surface",
            next_step="Take a rig with blocks of the method's surface class.",
        )
    if block.uses_allowed is not None and (used := uses_of(block)) >= block.uses_allowed:
        raise Conflict(
            f"{block.code} was used {used} times; {block.uses_allowed} are allowed.",
            code="block-worn",
            next_step="Have the rig keeper look at its face or put in another block.",
        )


def refuse_attack(sample: Sample, block: Block) -> None:
    """Refuse a sample on a block whose metal it attacks, unless quality has permitted it."""
    if attacks(sample, block.metal) and not permitted(sample, block):
        raise Conflict(
            f"{sample.code} attacks {block.metal}, and {block.code} is {block.metal}. Do not put it on.",
            code="incompatible-metal",
            next_step="Take a rig with blocks of another metal. Only quality can permit it, on the sample's page.",
            block=block.code,
        )


def checks_before(sample: Sample, rig: Rig, at: datetime | None = None) -> list[dict[str, Any]]:
    """What an operator sees before the work: lines for sample, rig and zero, for templates/parts/_checks.html.

    A line that is not in order stops the work; a caution (zero too old, sample past its hold time) is told beforehand.
    """
    return [_sample_check(sample, at), _rig_check(rig, at), *_metal_checks(sample, rig, at), _zero_check(rig, at)]


def _sample_check(sample: Sample, at: datetime | None) -> dict[str, Any]:
    try:
        refuse_sample(sample)
    except Refusal as refusal:
        return {"label": refusal.message, "why": refusal.next_step, "code": refusal.code}
    limits = why_not_applicable(sample, at)
    if limits:
        label = f"{sample.code}: {'; '.join(limits)}"
        return {"caution": True, "label": label, "why": "apply it only with a reason", "code": "sample-past-limits"}
    return {"ok": True, "label": f"{sample.code} {sample.name} is ready"}


def _rig_check(rig: Rig, at: datetime | None) -> dict[str, Any]:
    try:
        refuse_rig(rig, at)
    except Refusal as refusal:
        return {"label": refusal.message, "why": refusal.next_step, "code": refusal.code}
    return {"ok": True, "label": f"{rig.code} {rig.name} is in service and in calibration"}


def _metal_checks(sample: Sample, rig: Rig, at: datetime | None) -> list[dict[str, Any]]:
    try:
        configuration = configuration_at(rig, at or timezone.now())
    except Refusal:
        return []  # said by the rig's own line
    found = []
    for block in (configuration.hot_block, configuration.cold_block):
        try:
            refuse_attack(sample, block)
        except Refusal as refusal:
            found.append({"label": refusal.message, "why": refusal.next_step, "code": refusal.code})
    return found


def _zero_check(rig: Rig, at: datetime | None) -> dict[str, Any]:
    zero = zero_of(rig, at)
    if zero.young and zero.run is not None and zero.age is not None:
        return {"ok": True, "label": f"Zero {zero.run.code} is {zero.age / timedelta(hours=1):.1f} h old"}
    why = "Take a zero first: without a young zero a run is unqualified and is not ranked."
    if zero.run is None or zero.age is None:
        return {
            "caution": True,
            "label": f"{rig.code} has no zero of the last days",
            "why": why,
            "code": "zero-missing",
        }
    label = f"Zero {zero.run.code} is {zero.age / timedelta(hours=1):.0f} h old, too old"
    return {"caution": True, "label": label, "why": why, "code": "zero-stale"}


def checklist_of(rig: Rig, at: datetime, *, blocks_cleaned: bool, coolant_steady: bool) -> list[dict[str, str | bool]]:
    """What was looked at before the material went on, as kept: two lines by the person, the zero by the record."""
    zero = zero_of(rig, at)
    if zero.run is None or zero.age is None:
        words = "no zero of the last days"
    else:
        words = f"zero {zero.run.code} was {zero.age / timedelta(hours=1):.1f} h old"
    return [
        {"what": "blocks cleaned", "ok": blocks_cleaned, "words": "" if blocks_cleaned else "not confirmed"},
        {"what": "zero taken and young", "ok": zero.young, "words": words},
        {"what": "coolant steady", "ok": coolant_steady, "words": "" if coolant_steady else "not confirmed"},
    ]


def may_begin(checks: list[dict[str, Any]]) -> bool:
    """Whether nothing among the checks stops the work."""
    return all(check.get("ok") or check.get("caution") for check in checks)


def photos_of(application: Application) -> QuerySet[ApplicationPhoto]:
    """The photographs of an application, oldest first."""
    return application.photos.select_related("file", "by").order_by("id")


def runs_of_sample(sample: Sample) -> QuerySet[Run]:
    """The runs of every application of a sample that is not void, oldest first."""
    rows = Run.objects.filter(application__sample=sample).exclude(application__state=ApplicationState.VOID)
    return rows.order_by("id")


def runs_of(application: Application) -> QuerySet[Run]:
    """The runs of an application, oldest first."""
    return application.runs.select_related("uploaded_by").order_by("id")
