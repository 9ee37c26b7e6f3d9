"""Place and lift holds."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.cases.models import Hold, Nonconformance
from lims.cases.selectors import standing_holds
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked


def refuse_if_held(kind: str, code: str) -> None:
    """Refuse a forward act on a record that is on hold."""
    hold = standing_holds(kind, code).first()
    if hold is not None:
        raise Conflict(
            f"{code} is on hold: {hold.reason}",
            code="on-hold",
            next_step="Quality lifts the hold when its reason is settled.",
        )


@act("hold.place")
def place_hold(
    subject: models.Model, *, actor: User | None, reason: str, nonconformance: Nonconformance | None = None
) -> Hold:
    """Put `subject` on hold; it stays in its state and cannot go forward until the hold is lifted."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A hold needs a reason."]})
    kind, code = subject.record_kind, subject.record_code  # type: ignore[attr-defined]
    locked(subject)
    hold = Hold(
        subject_kind=kind, subject_code=code, reason=reason.strip(), nonconformance=nonconformance, placed_by=actor
    )
    hold.save()
    return hold


@act("hold.lift")
def lift_hold(hold: Hold, *, actor: User, reason: str) -> Hold:
    """Lift a hold, with a reason; not by the person who placed it."""
    fresh = locked(hold)
    if fresh.lifted_at is not None:
        raise Conflict(f"The hold on {fresh.subject_code} is lifted already.", code="hold-lifted")
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Lifting a hold needs a reason."]})
    require_not_own_work(actor, "hold.lift", {fresh.placed_by_id})
    fresh.lifted_by, fresh.lifted_at, fresh.lift_reason = actor, timezone.now(), reason.strip()
    fresh.save()
    return fresh


@act("hold.lift")
def lift_oldest_hold(subject: models.Model, *, actor: User, reason: str) -> Hold:
    """Lift the hold over `subject` that has stood longest; not by the person who placed it."""
    kind, code = subject.record_kind, subject.record_code  # type: ignore[attr-defined]
    hold = standing_holds(kind, code).order_by("id").first()
    if hold is None:
        raise Conflict(f"{code} is not on hold.", code="not-on-hold")
    return lift_hold(hold, actor=actor, reason=reason)
