"""Repeats of a test that failed: planned before, made by a second person, exactly so many, none taken back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.cases.models import Nonconformance, RepeatPlan
from lims.cases.states import STANDING, NonconformanceState
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.core.machines import locked
from lims.signatures.models import Meaning
from lims.signatures.services import sign

FIRST_LOOK = (NonconformanceState.OPEN, NonconformanceState.PHASE_1)


@dataclass(frozen=True, slots=True)
class Repeats:
    """What is planned: the same sample again or a new one, how often, by whom, how it is judged, why."""

    kind: str
    number: int
    runner: User
    acceptance: str
    basis: str = "each"
    why: str = ""


@act("nonconformance.decide")
def plan_repeats(case: Nonconformance, *, actor: User, password: str, repeats: Repeats) -> RepeatPlan:
    """Approve a plan of repeats by signature, before there are data; the runner is somebody else."""
    fresh = locked(case)
    _check(fresh, repeats, actor)
    content = {"code": fresh.code, "kind": repeats.kind, "number": repeats.number, "basis": repeats.basis}
    content |= {"acceptance": repeats.acceptance, "runner": repeats.runner.printed_name, "why": repeats.why}
    signature = sign(
        actor=actor,
        password=password,
        meaning=Meaning.APPROVED,
        subject=("nonconformance", fresh.code),
        content=content,
    )
    plan = RepeatPlan(
        nonconformance=fresh,
        kind=repeats.kind,
        number=repeats.number,
        basis=repeats.basis,
        runner=repeats.runner,
        acceptance=repeats.acceptance.strip(),
        why=repeats.why.strip(),
        approved_by=actor,
        signature=signature,
    )
    plan.save()
    return plan


def _check(case: Nonconformance, repeats: Repeats, actor: User) -> None:
    if case.state != NonconformanceState.PHASE_2:
        raise Conflict(
            f"Repeats of {case.code} are planned after the first look.",
            code="checklist-open",
            next_step="Finish the checklist first.",
        )
    if any(plan.left for plan in case.plans.all()):
        raise Conflict("A plan is not used up yet.", code="repeats-open")
    if not repeats.acceptance.strip():
        raise Invalid("Say how it is judged.", fields={"acceptance": ["This is written before the data."]})
    if repeats.kind == RepeatPlan.Kind.RESAMPLE and not repeats.why.strip():
        raise Invalid("Say why the first sample was not like its batch.", fields={"why": ["A resample needs this."]})
    if repeats.runner.pk in (actor.pk, case.opened_by_id):
        raise NotAllowed("A second person makes the repeats.", code="own-work")


def take_repeat(subjects: Iterable[tuple[str, str]], *, actor: User, run: str) -> None:
    """Take one planned repeat for `run`; refuses a run on what is under a first look or has no plan left.

    `subjects`: kind and code of the sample and of what it is made of. Called inside the act that makes the run.
    """
    for kind, code in subjects:
        rows = Nonconformance.objects.select_for_update().filter(subject_kind=kind, subject_code=code)
        for case in rows.filter(state__in=STANDING).order_by("id"):
            _take(case, actor, run)


def _take(case: Nonconformance, actor: User, run: str) -> None:
    if case.state in FIRST_LOOK:
        raise Conflict(
            f"{case.code} is under its first look; nothing is repeated before that is done.",
            code="checklist-open",
            next_step=f"Quality finishes the checklist of {case.code}.",
        )
    if case.state != NonconformanceState.PHASE_2:
        return
    plan = case.plans.first()
    if plan is None:
        raise Conflict(f"{case.code} has no plan of repeats.", code="no-repeat-plan", next_step="Quality plans them.")
    if not plan.left:
        raise Conflict(
            f"All {plan.number} repeats of {case.code} are made; there is no further one.", code="retest-plan-exhausted"
        )
    if plan.runner_id != actor.pk:
        raise NotAllowed(f"{plan.runner.printed_name} makes the repeats of {case.code}.", code="not-the-runner")
    plan.runs = [*plan.runs, run]
    plan.save()
