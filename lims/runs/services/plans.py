"""Plans of applications: drawn by lot, accepted, worked down line by line, with a reason where the order is left."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, locked, state_words
from lims.rigs.models import MethodVersion, Rig
from lims.rigs.selectors import is_effective
from lims.runs.blocking import Place, Wish, draw_order
from lims.runs.models import Application, PlanLine, TestPlan
from lims.runs.selectors.plans import earlier_open
from lims.runs.services.applications import ApplyFacts, Faces, plan_and_apply
from lims.runs.states import TEST_PLAN_MACHINE, TestPlanState
from lims.samples.models import Sample
from lims.samples.states import APPLICABLE

# a plan that is worked down by hand has at most so many lines
MOST = 400


class Asked(TypedDict, total=False):
    """What a plan is drawn from."""

    samples: Sequence[Sample]
    rigs: Sequence[Rig]
    reference: Sample | None
    replicates: int
    days: int
    per_block: int
    first_day: date | None
    seed: int | None


@act("plan.draw")
def draw_plan(*, actor: User, title: str, method_version: MethodVersion, **asked: Unpack[Asked]) -> TestPlan:
    """Draw a plan by lot over samples, rigs and days; the seed is kept, so that the draw can be made again.

    `per_block` is how many applications a rig has time for within one day, the reference aside, which is put on once
    in every block.
    """
    samples = [s for s in dict.fromkeys(asked.get("samples", ())) if s != asked.get("reference")]
    rigs = list(dict.fromkeys(asked.get("rigs", ())))
    wish = _wish(samples, rigs, title=title, asked=asked)
    _refuse_unfit(method_version, samples)
    seed = asked.get("seed")
    plan = TestPlan(
        code=next_code("test plan"),
        title=title.strip(),
        method_version=method_version,
        reference=asked.get("reference"),
        seed=secrets.randbelow(2**31) if seed is None else seed,
        replicates=wish.replicates,
        days=wish.days,
        per_block=wish.per_block,
        first_day=asked.get("first_day"),
        planned_by=actor,
    )
    plan.save()
    order = draw_order(wish, seed=plan.seed)
    PlanLine.objects.bulk_create(
        _line(plan, number, place, samples, rigs) for number, place in enumerate(order, start=1)
    )
    return plan


def _wish(samples: Sequence[Sample], rigs: Sequence[Rig], *, title: str, asked: Asked) -> Wish:
    problems: dict[str, list[str]] = {}
    if not title.strip():
        problems["title"] = ["Say what the plan is for."]
    if len(samples) < 2:
        problems["samples"] = ["Two samples or more are expected, the reference aside."]
    if not rigs:
        problems["rigs"] = ["Choose one rig or more."]
    counts = {name: int(asked.get(name, 0)) for name in ("replicates", "days", "per_block")}  # type: ignore[call-overload]
    problems |= {name: ["One or more is expected."] for name, count in counts.items() if count < 1}
    if not problems:
        wish = Wish(len(samples), rigs=len(rigs), reference=asked.get("reference") is not None, **counts)
        problems = _too_much(wish)
    if problems:
        raise Invalid("The plan cannot be drawn.", code="plan-not-possible", fields=problems)
    return wish


def _too_much(wish: Wish) -> dict[str, list[str]]:
    if wish.total > MOST:
        return {"replicates": [f"{wish.total} applications are more than a plan holds ({MOST})."]}
    if wish.total > wish.room:
        words = f"{wish.total} applications need {wish.days_needed} days with these rigs; {wish.days} are given."
        return {"days": [words]}
    return {}


def _refuse_unfit(version: MethodVersion, samples: Sequence[Sample]) -> None:
    if not is_effective(version):
        raise Conflict(
            f"{version.code} is not the version in force for new work.",
            code="method-not-effective",
            next_step="Choose the approved version in force.",
        )
    for sample in samples:
        if sample.state not in APPLICABLE:
            raise Conflict(
                f"{sample.code} is {state_words(sample)}; only a sample that is held can be planned.",
                code="sample-not-held",
                fields={"samples": [f"{sample.code} is {state_words(sample)}."]},
            )


def _line(plan: TestPlan, number: int, place: Place, samples: Sequence[Sample], rigs: Sequence[Rig]) -> PlanLine:
    reference = place.sample is None
    return PlanLine(
        plan=plan,
        position=number,
        day=place.day + 1,
        block=place.block,
        rig=rigs[place.rig],
        sample=plan.reference if place.sample is None else samples[place.sample],
        as_reference=reference,
    )


@act("plan.accept")
def accept_plan(plan: TestPlan, *, actor: User, first_day: date | None = None) -> TestPlan:
    """Accept a drawn plan: operators work it down from then on."""
    fresh: TestPlan = advance(plan, TEST_PLAN_MACHINE, "accept")
    fresh.accepted_by, fresh.accepted_at = actor, timezone.now()
    fresh.first_day = first_day or fresh.first_day or timezone.localdate()
    fresh.save()
    return fresh


@act("plan.abandon")
def abandon_plan(plan: TestPlan, *, actor: User, reason: str) -> TestPlan:
    """Give a plan up, with the reason; what was put on stays."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A reason is expected."]})
    fresh: TestPlan = advance(plan, TEST_PLAN_MACHINE, "abandon")
    fresh.reason = reason.strip()
    fresh.save()
    return fresh


@act("plan.work")
def apply_line(
    line: PlanLine, *, actor: User, faces: Faces, amount: Decimal, out_of_order: str = "", **facts: Unpack[ApplyFacts]
) -> Application:
    """Put on what a line of an accepted plan asks for; with a reason where an earlier line of that rig still waits."""
    plan, fresh = _open_line(line)
    waits = earlier_open(fresh)
    if waits is not None and not out_of_order.strip():
        raise Conflict(
            f"Line {waits.position} of {plan.code} comes before line {fresh.position} on {fresh.rig.code}.",
            code="out-of-order",
            next_step=f"Put {waits.sample.code} on first, or say why the order is left.",
            fields={"out_of_order": [f"Line {waits.position} ({waits.sample.code}) still waits; say why."]},
        )
    application = plan_and_apply(
        actor=actor,
        sample=fresh.sample,
        rig=fresh.rig,
        method_version=plan.method_version,
        faces=faces,
        amount=amount,
        **facts,
    )
    fresh.application, fresh.out_of_order = application, out_of_order.strip() if waits else ""
    _done(plan, fresh, actor)
    return application


@act("plan.work")
def skip_line(line: PlanLine, *, actor: User, reason: str) -> PlanLine:
    """Leave a line out, with the reason: the sample is used up, the rig is down."""
    if not reason.strip():
        raise Invalid("Say why it is left out.", fields={"reason": ["A reason is expected."]})
    plan, fresh = _open_line(line)
    fresh.skipped_reason = reason.strip()
    _done(plan, fresh, actor)
    return fresh


def _open_line(line: PlanLine) -> tuple[TestPlan, PlanLine]:
    plan = locked(line.plan)
    if plan.state != TestPlanState.ACCEPTED:
        raise Conflict(
            f"{plan.code} is {state_words(plan)}; only an accepted plan is worked down.",
            code="plan-not-accepted",
            next_step="Have the plan accepted first." if plan.state == TestPlanState.DRAFT else "",
        )
    fresh = locked(line)
    if not fresh.open:
        raise Conflict(f"Line {fresh.position} of {plan.code} is done already.", code="line-done")
    return plan, fresh


def _done(plan: TestPlan, line: PlanLine, actor: User) -> None:
    line.done_by, line.done_at = actor, timezone.now()
    line.save()
    what = line.application.code if line.application else f"left out: {line.skipped_reason}"
    words = f"{what}, out of order: {line.out_of_order}" if line.out_of_order else what
    note_change(line, {f"line {line.position}": (None, words)})
    if not plan.lines.filter(application=None, skipped_reason="").exists():
        finished: TestPlan = advance(plan, TEST_PLAN_MACHINE, "finish")
        finished.save()
