"""Release and reject batches."""

from __future__ import annotations

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.core.errors import Conflict
from lims.core.machines import locked
from lims.formulations.models import Batch
from lims.formulations.selectors import lots_in_batch
from lims.formulations.states import BATCH_MACHINE, BatchState
from lims.quality.models import Decision
from lims.quality.selectors import standing_of_batch, took_part
from lims.quality.services.deciding import (
    Signing,
    decide,
    judge,
    reject,
    require_nothing_missing,
    require_reason,
)
from lims.runs.selectors.batches import batch_of_reduction


@act("batch.release")
def release_batch(batch: Batch, *, actor: User, password: str, reason: str = "") -> Batch:
    """Release a batch by signature: nothing missing, never exploratory, not by who made or tested it."""
    refuse_exploratory(batch)
    require_not_own_work(actor, "batch.release", took_part(batch))
    fresh = locked(batch)
    after = BATCH_MACHINE.after(fresh.state, "release", name=fresh.code)
    for lot in lots_in_batch(fresh):
        locked(lot)
    standing = standing_of_batch(fresh)
    require_nothing_missing(fresh, standing, reason=reason)
    decide(fresh, Signing(actor, password, Decision.Outcome.RELEASE, reason), standing)
    fresh.state = after
    fresh.save()
    return fresh


def refuse_exploratory(batch: Batch) -> None:
    """Refuse a decision on an exploratory batch that would let it go further."""
    if batch.exploratory:
        raise Conflict(
            f"{batch.code} is exploratory; it is never released.",
            code="exploratory",
            next_step="Promote it to a formulation and make a batch of an approved version.",
        )


@act("batch.judge")
def judge_batch(batch: Batch, *, actor: User | None) -> Batch:
    """Judge a batch by its figures now. New verdicts are kept; a failed one opens a nonconformance and holds it."""
    fresh = locked(batch)
    judge(fresh, standing_of_batch(fresh))
    return fresh


def judge_reduced(reduction: int) -> None:
    """Judge the batch whose run a reduction just gave figures of; called by the worker when the reduction is done."""
    batch = batch_of_reduction(reduction)
    if batch is not None and batch.state == BatchState.UNDER_TEST and not batch.exploratory:
        judge_batch(batch, actor=None)


@act("batch.reject")
def reject_batch(batch: Batch, *, actor: User, password: str, reason: str) -> Batch:
    """Reject a batch by signature, with a reason. A nonconformance opens where none is open yet."""
    require_reason(reason)
    require_not_own_work(actor, "batch.reject", took_part(batch))
    fresh = locked(batch)
    after = BATCH_MACHINE.after(fresh.state, "reject", name=fresh.code)
    reject(fresh, standing_of_batch(fresh), actor=actor, password=password, reason=reason, after=after)
    return fresh
