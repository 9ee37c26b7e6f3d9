"""Do the steps of a batch, in order, with what was really set."""

from __future__ import annotations

from typing import Any, TypedDict, Unpack, cast

from lims.accounts.acts import act, require, require_not_own_work
from lims.accounts.models import User
from lims.accounts.secrets import check_password
from lims.audit.recording import note_change
from lims.cases.services import refuse_if_held
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance
from lims.formulations.kinds import SETTINGS, is_off
from lims.formulations.models import Batch, StepRecord, StepStart
from lims.formulations.selectors import sheet_of
from lims.formulations.services.equipment import Override, require_equipment
from lims.formulations.states import BATCH_MACHINE


class StepDetails(TypedDict, total=False):
    """What was set, SI; or that the step was skipped; the reason; who looked at a hold point, with their password."""

    speed: float | None
    duration: float | None
    pressure: float | None
    temperature: float | None
    skipped: bool
    reason: str
    seen_by: User | None
    seen_password: str
    equipment: str
    override_by: User | None
    override_password: str
    override_reason: str


@act("batch.do_step")
def begin_step(batch: Batch, *, actor: User, position: int) -> StepStart:
    """Begin a step: its timer runs from now on the server. A second beginning changes nothing."""
    fresh: Batch = advance(batch, BATCH_MACHINE, "do_step")
    refuse_if_held("batch", fresh.code)
    _step(fresh, position)
    begun = StepStart.objects.filter(batch=fresh, position=position).first()
    if begun is None:
        begun = StepStart(batch=fresh, position=position, by=actor)
        begun.full_clean()
        begun.save()
        note_change(begun, {f"step {position}": (None, "begun")})
    return begun


@act("batch.do_step")
def do_step(batch: Batch, *, actor: User, position: int, **details: Unpack[StepDetails]) -> StepRecord:
    """Confirm one step as it was done. Steps are done in order; a miss or a skip needs a reason and marks the batch."""
    fresh: Batch = advance(batch, BATCH_MACHINE, "do_step")
    refuse_if_held("batch", fresh.code)
    step = _step(fresh, position)
    actual = {key: cast("float | None", details.get(key)) for key in SETTINGS}
    skipped, reason = bool(details.get("skipped")), details.get("reason", "").strip()
    deviates = skipped or _misses(step, actual)
    if deviates and not reason:
        raise Invalid(
            f"Step {position} was {'skipped' if skipped else 'not done as planned'}; that needs a reason.",
            code="step-deviates",
            fields={"reason": ["Say why."]},
        )
    seen_by = _second_person(step, actor, details)
    equipment = details.get("equipment", "").strip()
    override = Override(
        override_by=details.get("override_by"),
        override_password=details.get("override_password", ""),
        override_reason=details.get("override_reason", ""),
    )
    used = require_equipment(equipment, kind="mixer", override=override, field="equipment")
    begun = StepStart.objects.filter(batch=fresh, position=position).first()
    values = {} if skipped else actual
    record = StepRecord(
        batch=fresh,
        position=position,
        by=actor,
        seen_by=seen_by,
        skipped=skipped,
        reason=reason,
        deviates=deviates,
        equipment=equipment,
        overridden_by=used[0],
        override_reason=used[1],
        started_at=begun.at if begun else None,
        **values,
    )
    record.full_clean()
    record.save()
    note_change(record, {f"step {position}": (None, "skipped" if skipped else "done")})
    fresh.deviated = fresh.deviated or deviates
    fresh.save()
    return record


def _step(batch: Batch, position: int) -> dict[str, Any]:
    """The step at `position`, which must be the next one."""
    sheet = sheet_of(batch)
    done = sheet.done.get(position)
    if done is not None:
        raise Conflict(
            f"Step {position} was done by {done.by.printed_name} at {done.at:%H:%M:%S} UTC.", code="step-done"
        )
    following = sheet.open_step
    if following is None or not any(step["position"] == position for step in sheet.steps):
        raise Invalid(f"{batch.code} has no step {position}.", code="no-such-step")
    if following["position"] != position:
        raise Conflict(
            f"Step {following['position']} comes before step {position}.",
            code="step-order",
            next_step=f"Do step {following['position']} first, or skip it with a reason.",
        )
    return following


def _misses(step: dict[str, Any], actual: dict[str, float | None]) -> bool:
    """Whether a setting misses its target; refuses a target without its actual value."""
    targets = {key: step[key] for key in SETTINGS if step.get(key) is not None}
    lacking = {key: ["What was really set?"] for key in targets if actual[key] is None}
    if lacking:
        raise Invalid(f"Step {step['position']} is not complete.", fields=lacking)
    return any(
        is_off(key, target=target, actual=actual[key] or 0.0, tolerance=step["tolerance"])
        for key, target in targets.items()
    )


def _second_person(step: dict[str, Any], actor: User, details: StepDetails) -> User | None:
    """Who looked at a hold point, known by their own password; never the person who did the step."""
    if not step.get("hold_point"):
        return None
    second = details.get("seen_by")
    if second is None:
        raise Invalid(
            f"Step {step['position']} is a hold point: a second person looks at it.",
            code="hold-point",
            fields={"seen_by": ["Name the second person."]},
        )
    require(second, "batch.check")
    require_not_own_work(second, "batch.check", {actor.pk})
    check_password(second, details.get("seen_password", ""))
    return second
