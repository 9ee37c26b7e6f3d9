"""Read plans of applications: their lines, how even they are, and what comes next on each rig."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, Q, QuerySet

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.errors import Conflict, NotFound
from lims.core.finding import by_code
from lims.rigs.models import Rig
from lims.runs.models import Application, PlanLine, TestPlan
from lims.runs.states import TestPlanState
from lims.samples.models import Sample

READ = "laboratory.read"
OPEN = Q(application__isnull=True, skipped_reason="")
STATES = TestPlanState.choices


def plans_for(user: User, *, state: str = "") -> QuerySet[Any]:
    """The plans this person may see, newest first, with `total` and `waiting` lines."""
    require(user, READ)
    rows = TestPlan.objects.select_related("method_version", "planned_by")
    rows = rows.annotate(total=Count("lines"), waiting=Count("lines", filter=_open("lines__")))
    return rows.filter(state=state).order_by("-id") if state in TestPlanState.values else rows.order_by("-id")


def _open(prefix: str) -> Q:
    return Q(**{f"{prefix}application__isnull": True, f"{prefix}skipped_reason": ""})


def get_plan_for(user: User, code: str) -> TestPlan:
    """One plan by its code, where this person may see it."""
    require(user, READ)
    rows = TestPlan.objects.select_related("method_version__method", "reference", "planned_by", "accepted_by")
    return by_code(rows, code, "test plan")


def get_line_for(user: User, code: str, position: int) -> PlanLine:
    """One line of a plan."""
    plan = get_plan_for(user, code)
    found = lines_of(plan).filter(position=position).first()
    if found is None:
        raise NotFound(f"{plan.code} has no line {position}.")
    return found


def lines_of(plan: TestPlan) -> QuerySet[PlanLine]:
    """The lines of a plan in their order."""
    return plan.lines.select_related("plan__method_version", "sample", "rig", "application", "done_by")


def earlier_open(line: PlanLine) -> PlanLine | None:
    """The first line before this one that still waits on the same rig; None where the order is kept."""
    rows = PlanLine.objects.filter(OPEN, plan=line.plan_id, rig=line.rig_id, position__lt=line.position)
    return rows.select_related("sample").order_by("position").first()


def line_of(application: Application) -> PlanLine | None:
    """The line of a plan that an application was put on for; None where it was not planned so."""
    return PlanLine.objects.filter(application=application).select_related("plan").first()


def refuse_other_than(line: PlanLine, sample: Sample, rig: Rig) -> None:
    """Refuse a sample or a rig that was scanned in place of the one a line asks for."""
    what = f"line {line.position} of {line.plan.code}"
    for name, scanned, asked in (("sample", sample, line.sample), ("rig", rig, line.rig)):
        if scanned.pk != asked.pk:
            raise Conflict(
                f"{scanned.code} was scanned; {what} asks for {asked.code}.",
                code="other-than-planned",
                next_step=f"Take {asked.code}, or leave the line out with a reason.",
                fields={name: [f"{asked.code} is expected here."]},
            )


def next_lines(plan: TestPlan | None = None) -> list[PlanLine]:
    """What comes next on each rig: of one plan, or of every accepted plan, the oldest first."""
    rows = PlanLine.objects.filter(OPEN, plan__state=TestPlanState.ACCEPTED)
    if plan is not None:
        rows = rows.filter(plan=plan)
    first = rows.order_by("rig_id", "plan_id", "position").distinct("rig_id").values("pk")
    found = PlanLine.objects.filter(pk__in=first).select_related("plan__method_version", "sample", "rig")
    return list(found.order_by("plan_id", "position"))


def day_of(line: PlanLine) -> date | None:
    """The date a line falls on, counted from the plan's first day, days without work not known."""
    first = line.plan.first_day
    return first + timedelta(days=line.day - 1) if first else None


@dataclass(frozen=True, slots=True)
class Evenness:
    """How often each sample comes in all, on each rig and on each day; and whether that is as even as can be."""

    samples: tuple[tuple[str, int], ...]
    rigs: tuple[str, ...]
    by_rig: tuple[tuple[str, tuple[int, ...]], ...]
    by_day: tuple[tuple[str, tuple[int, ...]], ...]
    meetings: tuple[int, int]
    even: bool


def evenness_of(plan: TestPlan) -> Evenness:
    """How even a plan is, the reference aside."""
    lines = [line for line in lines_of(plan) if not line.as_reference]
    codes = sorted({line.sample.code for line in lines})
    rigs, days = sorted({line.rig.code for line in lines}), sorted({line.day for line in lines})
    on_rig = Counter((line.sample.code, line.rig.code) for line in lines)
    on_day = Counter((line.sample.code, line.day) for line in lines)
    total = Counter(line.sample.code for line in lines)
    by_rig = tuple((code, tuple(on_rig[code, rig] for rig in rigs)) for code in codes)
    by_day = tuple((code, tuple(on_day[code, day] for day in days)) for code in codes)
    spread = [max(row) - min(row) for _, row in (*by_rig, *by_day)]
    met = _meetings(lines, codes)
    even = len(set(total.values())) == 1 and max(spread) <= 1 and met[1] - met[0] <= 1
    return Evenness(tuple(sorted(total.items())), tuple(rigs), by_rig, by_day, met, even)


def _meetings(lines: list[PlanLine], codes: list[str]) -> tuple[int, int]:
    """How often the pair that meets least, and the pair that meets most, meets within a block."""
    blocks: dict[int, set[str]] = {}
    for line in lines:
        blocks.setdefault(line.block, set()).add(line.sample.code)
    counts = [
        sum(a in block and b in block for block in blocks.values())
        for place, a in enumerate(codes)
        for b in codes[place + 1 :]
    ]
    return (min(counts), max(counts)) if counts else (0, 0)
