"""The chain of custody: who had a sample, where, in what condition, and how much of it went. Events are only added."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.core.quantities import show_mass
from lims.samples.models import CustodyEvent, Sample
from lims.samples.selectors import last_event, left
from lims.samples.states import SampleState

Kind = CustodyEvent.Kind
HANDLED = (Kind.OPEN, Kind.THAW, Kind.DEGAS)
IN_HAND = (SampleState.HELD, SampleState.IN_TEST, SampleState.RETAINED, SampleState.CONSUMED)


class EventFacts(TypedDict, total=False):
    """What may be said of an event of custody."""

    holder: User | None
    location: str
    condition: str
    amount: Decimal | None
    cause: str
    temperature: float | None
    duration: float | None
    since: datetime | None


def add_event(sample: Sample, kind: str, *, by: User, **facts: Unpack[EventFacts]) -> CustodyEvent:
    """Add the next event, inside an act; the sample's row is locked, so the chain cannot fork.

    Holder and place stay as they were unless given; `amount` [kg] is negative where some of the sample went.
    """
    locked(sample)
    last = last_event(sample)
    event = CustodyEvent(
        sample=sample,
        position=last.position + 1 if last else 1,
        kind=kind,
        by=by,
        holder=facts.get("holder") or (last.holder if last else by),
        location=facts.get("location") or (last.location if last else sample.location),
        condition=facts.get("condition", ""),
        amount=facts.get("amount"),
        cause=facts.get("cause", ""),
        temperature=facts.get("temperature"),
        duration=facts.get("duration"),
        since=facts.get("since"),
    )
    event.full_clean()
    event.save()
    note_change(event, {"custody": (None, f"{event.get_kind_display()}, {event.holder}, {event.location}")})
    return event


def draw(sample: Sample, *, by: User, amount: Decimal, kind: str, cause: str) -> CustodyEvent:
    """Take `amount` [kg] out of a sample, inside an act; no more than is left."""
    locked(sample)
    rest = left(sample)
    if amount <= 0:
        raise Invalid("Nothing was taken.", fields={"amount": ["More than nothing is expected."]})
    if amount > rest:
        raise Conflict(
            f"{show_mass(rest)} of {sample.code} are left; {show_mass(amount)} cannot be taken.",
            code="not-enough-sample",
            next_step="Take less, or take another sample.",
            fields={"amount": [f"{show_mass(rest)} are left."]},
        )
    return add_event(sample, kind, by=by, amount=-amount, cause=cause)


@act("sample.move")
def move_sample(
    sample: Sample, *, actor: User, location: str, holder: User | None = None, condition: str = ""
) -> Sample:
    """Move a sample, or hand it over to `holder`; the chain says from whom to whom."""
    fresh = _in_hand(sample)
    if not location.strip():
        raise Invalid("Say where it goes.", fields={"location": ["A place is expected."]})
    last = last_event(fresh)
    handed = holder is not None and (last is None or last.holder_id != holder.pk)
    add_event(
        fresh,
        Kind.HAND_OVER if handed else Kind.MOVE,
        by=actor,
        holder=holder,
        location=location.strip(),
        condition=condition,
    )
    fresh.location = location.strip()
    fresh.save()
    return fresh


@act("sample.move")
def note_custody(sample: Sample, *, actor: User, kind: str, condition: str = "") -> Sample:
    """Note that a sample was opened, thawed or degassed."""
    if kind not in HANDLED:
        raise Invalid(
            f"'{kind}' is not something noted by hand.",
            fields={"kind": [f"Choose one of: {', '.join(HANDLED)}."]},
        )
    fresh = _in_hand(sample)
    add_event(fresh, kind, by=actor, condition=condition)
    return fresh


@act("sample.move")
def note_excursion(
    sample: Sample, *, actor: User, temperature: float, duration: float, reason: str, since: datetime | None = None
) -> Sample:
    """Note that a sample was outside its storage condition: how far [K], how long [s], from when, and why.

    `since`: when it began; so long before now, unless said. It goes with the sample to every test after it.
    """
    problems = {}
    if temperature <= 0:
        problems["temperature"] = ["A temperature above absolute zero is expected."]
    if duration <= 0:
        problems["duration"] = ["More than nothing is expected."]
    if not reason.strip():
        problems["reason"] = ["Say how it came to that."]
    began = since or timezone.now() - timedelta(seconds=max(duration, 0))
    if began > timezone.now():
        problems["since"] = ["A time that has come is expected."]
    if problems:
        raise Invalid("The excursion is not complete.", fields=problems)
    fresh = _in_hand(sample)
    facts = {"temperature": temperature, "duration": duration, "since": began}
    add_event(fresh, Kind.EXCURSION, by=actor, condition=reason.strip()[:200], **facts)  # type: ignore[arg-type]
    return fresh


def _in_hand(sample: Sample) -> Sample:
    fresh = locked(sample)
    if fresh.state not in IN_HAND:
        raise Conflict(
            f"{fresh.code} is {fresh.get_state_display()}; nobody holds it.",
            code="not-in-custody",
            next_step="Take it into custody first." if fresh.state == SampleState.REGISTERED else "",
        )
    return fresh
