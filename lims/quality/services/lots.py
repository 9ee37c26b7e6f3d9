"""Judge lots, release them, reject them, take a release back."""

from __future__ import annotations

from typing import Any

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.core.machines import locked
from lims.materials.models import Lot, LotProperty
from lims.materials.services import add_lot_property
from lims.materials.states import MACHINE
from lims.quality.models import Decision
from lims.quality.selectors import Standing, standing_of_lot, took_part_in_lot
from lims.quality.services.charts import watch_material
from lims.quality.services.deciding import (
    Signing,
    decide,
    judge,
    reject,
    require_nothing_missing,
    require_reason,
)


@act("lot.judge")
def judge_lot(lot: Lot, *, actor: User | None) -> Lot:
    """Judge a lot by its results now. New verdicts are kept; a failed one opens a nonconformance and holds the lot."""
    fresh = locked(lot)
    judge(fresh, standing_of_lot(fresh))
    return fresh


@act("lot.add_result")
def record_lot_result(lot: Lot, *, actor: User, **result: Any) -> LotProperty:
    """Enter one result of a lot and judge the lot by it, both or neither."""
    row = add_lot_property(lot, actor=actor, **result)
    judge_lot(lot, actor=actor)
    watch_material(lot.material.code)
    return row


@act("lot.release")
def release_lot(lot: Lot, *, actor: User, password: str, reason: str = "") -> Lot:
    """Release a lot by signature: nothing missing, every verdict a pass, not by who received or tested it."""
    require_not_own_work(actor, "lot.release", took_part_in_lot(lot))
    fresh = locked(lot)
    after = MACHINE.after(fresh.state, "release", name=fresh.code)
    standing = standing_of_lot(fresh)
    require_nothing_missing(fresh, standing, reason=reason)
    signing = Signing(actor, password, Decision.Outcome.RELEASE, reason)
    decide(fresh, signing, standing)
    fresh.state = after
    fresh.save()
    return fresh


@act("lot.reject")
def reject_lot(lot: Lot, *, actor: User, password: str, reason: str) -> Lot:
    """Reject a lot by signature, with a reason. A nonconformance opens where none is open yet."""
    require_reason(reason)
    require_not_own_work(actor, "lot.reject", took_part_in_lot(lot))
    fresh = locked(lot)
    after = MACHINE.after(fresh.state, "reject", name=fresh.code)
    reject(fresh, standing_of_lot(fresh), actor=actor, password=password, reason=reason, after=after)
    return fresh


@act("lot.withdraw_release")
def withdraw_lot_release(lot: Lot, *, actor: User, password: str, reason: str) -> Lot:
    """Take a release back by signature; the lot goes into quarantine, what it went into can be traced from it."""
    require_reason(reason)
    require_not_own_work(actor, "lot.withdraw_release", took_part_in_lot(lot))
    fresh = locked(lot)
    after = MACHINE.after(fresh.state, "withdraw_release", name=fresh.code)
    decide(fresh, Signing(actor, password, Decision.Outcome.WITHDRAW, reason), Standing([], []))
    fresh.state = after
    fresh.save()
    return fresh
