"""When a lot was opened, and how a retest that was signed makes its life longer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.materials.models import Lot, LotExtension, LotProperty
from lims.materials.services.parts import need_a_reason, written
from lims.signatures.models import Meaning
from lims.signatures.services import sign


@act("lot.open")
def open_lot(lot: Lot, *, actor: User, opened_on: date) -> Lot:
    """Note the day on which a lot was first opened; it stays for ever."""
    fresh = locked(lot)
    if fresh.opened_on is not None:
        raise Conflict(f"{fresh.code} was opened on {fresh.opened_on} already.", code="opened-already")
    note_opening(fresh, opened_on=opened_on)
    return fresh


def note_opening(lot: Lot, *, opened_on: date | None) -> None:
    """Before the first weighing of a lot: its opening date, asked for where its life in use depends on it."""
    if lot.opened_on is not None:
        return
    today = timezone.localdate()
    if opened_on is None and lot.in_use_days:
        raise Invalid(
            f"{lot.code} lasts {lot.in_use_days} days once opened. When was it first opened?",
            code="opening-date-needed",
            next_step="Read the date on the container. If you open it now, today is the day.",
            fields={"opened_on": ["Write the day on which this lot was first opened."]},
        )
    opened_on = opened_on or today
    if not lot.received_on <= opened_on <= today:
        raise Invalid(
            f"{lot.code} came on {lot.received_on}; it cannot have been opened on {opened_on}.",
            fields={"opened_on": [f"A day from {lot.received_on} to today is expected."]},
        )
    lot.opened_on = opened_on
    lot.save()


@dataclass(frozen=True, slots=True)
class NewLife:
    """Until when a lot may be used, when it is to be tested again, and the results that show it."""

    expires_on: date
    retest_on: date | None
    results: tuple[LotProperty, ...]


def lengthen_life(lot: Lot, life: NewLife, *, actor: User, password: str, reason: str) -> LotExtension:
    """Sign a longer life of a locked `lot`, inside an act; the results it rests on are named in what is signed."""
    reason = need_a_reason(reason, why="Say why the results show that the lot is still good.")
    _check_results(lot, life.results)
    _check_days(lot, life)
    signature = sign(
        actor=actor,
        password=password,
        meaning=Meaning.APPROVED,
        subject=(lot.record_kind, lot.code),
        content=_content(lot, life, reason),
    )
    row = LotExtension(
        lot=lot,
        before=lot.usable_until,
        expires_on=life.expires_on,
        retest_on=life.retest_on,
        reason=reason,
        signature=signature,
        by=actor,
    )
    written(row, results=", ".join(result.as_entered for result in life.results))
    row.results.set(life.results)
    lot.expires_on, lot.retest_on = life.expires_on, life.retest_on
    if lot.opened_on and lot.in_use_days:
        lot.in_use_days = max(lot.in_use_days, (life.expires_on - lot.opened_on).days)
    lot.save()
    return row


def _content(lot: Lot, life: NewLife, reason: str) -> dict[str, Any]:
    return {
        "code": lot.code,
        "longer life": {"from": str(lot.usable_until or ""), "until": life.expires_on.isoformat()},
        "retest": life.retest_on.isoformat() if life.retest_on else "",
        "results": [f"{r.pk}: {r.quantity} {r.as_entered}" for r in life.results],
        "reason": reason,
    }


def _check_results(lot: Lot, results: Iterable[LotProperty]) -> None:
    """A longer life rests on our own results of this lot that stand and were used for none before."""
    found = list(results)
    if not found:
        raise Invalid(
            f"The life of {lot.code} is extended only by a retest.",
            code="no-retest-result",
            next_step="Test the lot again, enter the result, then name it here.",
            fields={"results": ["Name the result of the retest."]},
        )
    for row in found:
        why = _why_no_evidence(lot, row)
        if why:
            raise Invalid(f"{row.as_entered}: {why}", code="no-retest-result", fields={"results": [why]})


def _why_no_evidence(lot: Lot, row: LotProperty) -> str:
    if row.lot_id != lot.pk:
        return "This result is of another lot."
    if row.source != LotProperty.Source.OWN:
        return "A supplier's value is no retest; our own result is expected."
    if LotProperty.objects.filter(replaces=row).exists():
        return "This result was corrected; name the newer one."
    return "This result was used for a longer life before." if row.extensions.exists() else ""


def _check_days(lot: Lot, life: NewLife) -> None:
    today = timezone.localdate()
    problems: dict[str, list[str]] = {}
    if life.expires_on <= today:
        problems["expires_on"] = ["A day after today is expected."]
    elif lot.usable_until and life.expires_on < lot.usable_until:
        problems["expires_on"] = [f"That is shorter than now: {lot.usable_until}."]
    if life.retest_on and not today < life.retest_on <= life.expires_on:
        problems["retest_on"] = ["A day after today, not after the last day of use, is expected."]
    if problems:
        raise Invalid("The days do not fit.", fields=problems)
