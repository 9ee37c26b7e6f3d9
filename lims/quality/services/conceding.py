"""Accept a lot or a batch under a concession: two persons sign, its scope is kept and enforced."""

from __future__ import annotations

from typing import Any

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.cases import services as cases
from lims.cases.selectors import concession_of
from lims.cases.services import Scope
from lims.core.errors import Conflict
from lims.core.machines import Machine, locked
from lims.formulations.models import Batch
from lims.formulations.states import BATCH_MACHINE
from lims.materials.models import Lot
from lims.materials.states import MACHINE
from lims.quality.models import Decision
from lims.quality.selectors import Standing, standing_of_batch, standing_of_lot, took_part, took_part_in_lot
from lims.quality.services.batches import refuse_exploratory
from lims.quality.services.deciding import Signing, keep_decision


@act("lot.concede")
def propose_lot_concession(lot: Lot, *, actor: User, password: str, reason: str, scope: Scope) -> Lot:
    """Sign a concession for a lot as the first of two; not by who received or tested it."""
    require_not_own_work(actor, "lot.concede", took_part_in_lot(lot))
    fresh = locked(lot)
    _propose(fresh, MACHINE, Signing(actor, password, Decision.Outcome.CONCESSION, reason), scope)
    return fresh


@act("lot.concede")
def approve_lot_concession(lot: Lot, *, actor: User, password: str) -> Lot:
    """Sign a concession for a lot as the second of two; the lot is then usable within its scope."""
    require_not_own_work(actor, "lot.concede", took_part_in_lot(lot))
    fresh = locked(lot)
    _approve(fresh, MACHINE, actor, password, standing_of_lot(fresh))
    return fresh


@act("batch.concede")
def propose_batch_concession(batch: Batch, *, actor: User, password: str, reason: str, scope: Scope) -> Batch:
    """Sign a concession for a batch as the first of two; not by who made or tested it, never for an exploratory one."""
    refuse_exploratory(batch)
    require_not_own_work(actor, "batch.concede", took_part(batch))
    fresh = locked(batch)
    _propose(fresh, BATCH_MACHINE, Signing(actor, password, Decision.Outcome.CONCESSION, reason), scope)
    return fresh


@act("batch.concede")
def approve_batch_concession(batch: Batch, *, actor: User, password: str) -> Batch:
    """Sign a concession for a batch as the second of two."""
    require_not_own_work(actor, "batch.concede", took_part(batch))
    fresh = locked(batch)
    _approve(fresh, BATCH_MACHINE, actor, password, standing_of_batch(fresh))
    return fresh


def _propose(record: Any, machine: Machine, signing: Signing, scope: Scope) -> None:
    machine.after(record.state, "restrict", name=record.code)
    cases.propose_concession(record, actor=signing.actor, password=signing.password, reason=signing.reason, scope=scope)


def _approve(record: Any, machine: Machine, actor: User, password: str, standing: Standing) -> None:
    after = machine.after(record.state, "restrict", name=record.code)
    concession = concession_of(record.record_kind, record.code)
    if concession is None or concession.granted:
        raise Conflict(f"No concession for {record.code} waits for a second signature.", code="no-concession")
    granted, signature = cases.approve_concession(concession, actor=actor, password=password)
    signing = Signing(actor, password, Decision.Outcome.CONCESSION, f"{granted.scope}. {granted.reason}")
    keep_decision(record, signing, standing, signature)
    record.state = after
    record.save()
