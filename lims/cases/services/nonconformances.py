"""A nonconformance from its opening to its closing: a first look, a review, a decision, an action and its effect."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import models
from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.accounts.secrets import check_password
from lims.cases.models import Nonconformance
from lims.cases.services.holds import place_hold
from lims.cases.states import CHECKLIST, MACHINE
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.core.machines import advance, locked
from lims.files.models import StoredFile
from lims.files.services import store_file
from lims.signatures.models import Meaning
from lims.signatures.services import sign


@act("nonconformance.open")
def open_nonconformance(
    subject: models.Model, *, actor: User | None, title: str, description: str = ""
) -> Nonconformance:
    """Open a nonconformance about `subject` and put the subject on hold with it."""
    case = Nonconformance(
        code=next_code("nonconformance"),
        title=title,
        description=description,
        subject_kind=subject.record_kind,  # type: ignore[attr-defined]
        subject_code=subject.record_code,  # type: ignore[attr-defined]
        opened_by=actor,
    )
    case.save()
    place_hold(subject, actor=actor, reason=f"{case.code}: {title}", nonconformance=case)
    return case


@act("nonconformance.investigate")
def start_investigation(case: Nonconformance, *, actor: User) -> Nonconformance:
    """Begin the first look; not by the person who opened the case. Nothing is repeated before it is done."""
    require_not_own_work(actor, "nonconformance.investigate", {case.opened_by_id})
    fresh: Nonconformance = advance(case, MACHINE, "start")
    fresh.investigator = actor
    fresh.save()
    return fresh


@act("nonconformance.investigate")
def check_item(case: Nonconformance, *, actor: User, item: str, seen: str, in_order: bool) -> Nonconformance:
    """Answer one item of the checklist: what was seen, and whether it was in order."""
    fresh = locked(case)
    if fresh.state != "phase_1":
        raise Conflict(f"{fresh.code} is not in its first look.", code="wrong-state")
    if item not in CHECKLIST:
        raise Invalid(f"There is no item '{item}'.", fields={"item": [f"One of: {', '.join(CHECKLIST)}."]})
    _require(seen=seen)
    fresh.checklist = {**fresh.checklist, item: {"seen": seen.strip(), "in_order": in_order, "by": actor.printed_name}}
    fresh.save()
    return fresh


@dataclass(frozen=True, slots=True)
class Second:
    """The second person of an act that needs two, with their password."""

    person: User
    password: str


@dataclass(frozen=True, slots=True)
class Cause:
    """An assignable cause: its kind, its words, and the file that shows it."""

    kind: str
    words: str
    evidence: Any


@act("nonconformance.investigate")
def find_cause(case: Nonconformance, *, actor: User, password: str, second: Second, found: Cause) -> Nonconformance:
    """Sign, by two persons and with evidence, that the result has an assignable cause."""
    _require(cause=found.words, cause_kind=found.kind)
    if found.evidence is None:
        raise Invalid("An assignable cause needs evidence.", code="no-evidence", fields={"evidence": ["Attach it."]})
    _require_two(actor, second)
    fresh: Nonconformance = advance(case, MACHINE, "find_cause")
    fresh.evidence = _kept(found.evidence, actor)
    fresh.cause_kind, fresh.cause = found.kind, found.words.strip()
    content = {"cause": fresh.cause, "evidence": fresh.evidence.sha256, "checklist": fresh.checklist}
    _sign(fresh, actor, password, Meaning.REVIEWED, content | {"second": second.person.printed_name})
    fresh.save()
    return fresh


def _kept(evidence: Any, actor: User) -> StoredFile:
    return evidence if isinstance(evidence, StoredFile) else store_file(evidence, name=evidence.name, by=actor)


@act("nonconformance.investigate")
def find_no_cause(case: Nonconformance, *, actor: User, finding: str) -> Nonconformance:
    """End the first look without a cause: every item is answered; repeats can now be planned."""
    _require(finding=finding)
    fresh: Nonconformance = advance(case, MACHINE, "find_no_cause")
    open_items = [words for item, words in CHECKLIST.items() if item not in fresh.checklist]
    if open_items:
        raise Conflict(
            f"{len(open_items)} items of the checklist are open: {'; '.join(open_items)}.",
            code="checklist-open",
            next_step="Answer them first.",
        )
    fresh.finding = finding.strip()
    fresh.save()
    return fresh


@act("nonconformance.investigate")
def conclude_review(case: Nonconformance, *, actor: User, finding: str, cause_kind: str, cause: str) -> Nonconformance:
    """End the review: every planned repeat is made, the finding names all results."""
    _require(finding=finding, cause_kind=cause_kind, cause=cause)
    fresh: Nonconformance = advance(case, MACHINE, "conclude")
    left = sum(plan.left for plan in fresh.plans.all())
    if left:
        raise Conflict(f"{left} planned repeats are not made yet.", code="repeats-open")
    fresh.finding = f"{fresh.finding}\n{finding.strip()}".strip()
    fresh.cause_kind, fresh.cause = cause_kind, cause.strip()
    fresh.save()
    return fresh


@dataclass(frozen=True, slots=True)
class Deciding:
    """What is done with the subject, what it touches, who acts until when."""

    disposition: str
    impact: str
    owner: User
    due_on: date


@act("nonconformance.decide")
def decide_disposition(case: Nonconformance, *, actor: User, password: str, deciding: Deciding) -> Nonconformance:
    """Decide by signature what is done, who does it until when, and what else it touches."""
    _require(disposition=deciding.disposition, impact=deciding.impact)
    fresh: Nonconformance = advance(case, MACHINE, "decide")
    fresh.disposition, fresh.impact = deciding.disposition, deciding.impact.strip()
    fresh.owner, fresh.due_on = deciding.owner, deciding.due_on
    content = {"disposition": fresh.disposition, "impact": fresh.impact, "due_on": fresh.due_on.isoformat()}
    _sign(fresh, actor, password, Meaning.APPROVED, content | {"owner": deciding.owner.printed_name})
    fresh.save()
    return fresh


@act("nonconformance.act")
def finish_action(case: Nonconformance, *, actor: User, action: str, check_on: date) -> Nonconformance:
    """Say what was done, and when its effect is looked at; by the owner of the action."""
    _require(action=action)
    if case.owner_id != actor.pk:
        owner = case.owner.printed_name if case.owner else "nobody yet"
        raise NotAllowed(f"The action is owned by {owner}.", code="not-the-owner")
    fresh: Nonconformance = advance(case, MACHINE, "finish")
    fresh.action, fresh.check_on = action.strip(), check_on
    fresh.save()
    return fresh


@act("nonconformance.close")
def close_nonconformance(case: Nonconformance, *, actor: User, password: str, effectiveness: str) -> Nonconformance:
    """Close by signature, with what was found of the action's effect; the holds placed with it are lifted."""
    _require(effectiveness=effectiveness)
    require_not_own_work(actor, "nonconformance.close", {case.opened_by_id, case.owner_id})
    fresh: Nonconformance = advance(case, MACHINE, "close")
    if fresh.check_on is not None and timezone.localdate() < fresh.check_on:
        raise Conflict(f"The effect is looked at on {fresh.check_on}, not before.", code="check-not-due")
    fresh.effectiveness = effectiveness.strip()
    fresh.closed_by, fresh.closed_at = actor, timezone.now()
    content = {"cause": fresh.cause, "action": fresh.action, "effectiveness": fresh.effectiveness}
    _sign(fresh, actor, password, Meaning.APPROVED, content)
    fresh.save()
    _lift_with(fresh, actor=actor, reason=f"{fresh.code} closed: {fresh.action}")
    return fresh


@act("nonconformance.close")
def cancel_nonconformance(case: Nonconformance, *, actor: User, reason: str) -> Nonconformance:
    """Cancel a nonconformance opened by mistake; it stays on record, the holds placed with it are lifted."""
    _require(reason=reason)
    require_not_own_work(actor, "nonconformance.close", {case.opened_by_id})
    fresh: Nonconformance = advance(case, MACHINE, "cancel")
    fresh.closed_by, fresh.closed_at = actor, timezone.now()
    fresh.save()
    _lift_with(fresh, actor=actor, reason=f"{fresh.code} cancelled: {reason.strip()}")
    return fresh


@act("nonconformance.close")
def reopen_nonconformance(case: Nonconformance, *, actor: User, reason: str) -> Nonconformance:
    """Take a closed case up again on new evidence; what was closed stays as it was said, a new hold stands."""
    _require(reason=reason)
    fresh: Nonconformance = advance(case, MACHINE, "reopen")
    fresh.save()
    hold = fresh.holds.model(
        subject_kind=fresh.subject_kind,
        subject_code=fresh.subject_code,
        reason=f"{fresh.code} reopened: {reason.strip()}",
        nonconformance=fresh,
        placed_by=actor,
    )
    hold.save()
    return fresh


def _require(**texts: str) -> None:
    lacking = {name: ["This is needed."] for name, text in texts.items() if not text.strip()}
    if lacking:
        raise Invalid("Something is missing.", fields=lacking)


def _require_two(actor: User, second: Second) -> None:
    if second.person == actor:
        raise NotAllowed("Two persons are needed.", code="same-person")
    check_password(second.person, second.password)


def _sign(case: Nonconformance, actor: User, password: str, meaning: str, content: dict[str, Any]) -> None:
    sign(
        actor=actor,
        password=password,
        meaning=meaning,
        subject=("nonconformance", case.code),
        content={"code": case.code, "about": f"{case.subject_kind} {case.subject_code}", **content},
    )


def _lift_with(case: Nonconformance, *, actor: User, reason: str) -> None:
    for hold in case.holds.filter(lifted_at=None):
        hold.lifted_by, hold.lifted_at, hold.lift_reason = actor, timezone.now(), reason
        hold.save()
