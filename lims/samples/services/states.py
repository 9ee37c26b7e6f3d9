"""Lead samples on: back from test, used up, retained, released for a retest, disposed of."""

from __future__ import annotations

from datetime import date

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.cases.selectors import open_nonconformances
from lims.cases.services import refuse_if_held
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance
from lims.samples.models import CustodyEvent, Sample
from lims.samples.selectors import left
from lims.samples.services.custody import add_event
from lims.samples.states import MACHINE

Kind = CustodyEvent.Kind


def start_test(sample: Sample) -> Sample:
    """Bring a held sample into test, inside an act; one in test stays there."""
    refuse_if_held(sample.record_kind, sample.record_code)
    fresh: Sample = advance(sample, MACHINE, "start_test")
    fresh.save()
    return fresh


@act("sample.use")
def return_sample(sample: Sample, *, actor: User, location: str, condition: str = "") -> Sample:
    """Bring a sample back from test into its place."""
    fresh: Sample = advance(sample, MACHINE, "return")
    if not location.strip():
        raise Invalid("Say where it is put.", fields={"location": ["A place is expected."]})
    fresh.location = location.strip()
    add_event(fresh, Kind.RETURN, by=actor, location=fresh.location, condition=condition)
    fresh.save()
    return fresh


@act("sample.use")
def use_up_sample(sample: Sample, *, actor: User, reason: str = "") -> Sample:
    """Say that nothing of a sample is left; what the ledger still has goes out as a rest."""
    fresh: Sample = advance(sample, MACHINE, "use_up")
    rest = left(fresh)
    add_event(fresh, Kind.USE, by=actor, amount=-rest if rest else None, cause="rest")
    fresh.save()
    return fresh


@act("sample.retain")
def retain_sample(sample: Sample, *, actor: User, location: str, keep_until: date) -> Sample:
    """Put a sample aside until a day, in a place of its own."""
    refuse_if_held(sample.record_kind, sample.record_code)
    fresh: Sample = advance(sample, MACHINE, "retain")
    if keep_until <= timezone.localdate():
        raise Invalid("The day has passed.", fields={"keep_until": ["Give a day to come."]})
    if not location.strip():
        raise Invalid("Say where it is kept.", fields={"location": ["A place is expected."]})
    fresh.location, fresh.keep_until = location.strip(), keep_until
    add_event(fresh, Kind.MOVE, by=actor, location=fresh.location, cause="retained")
    fresh.save()
    return fresh


@act("sample.release_for_retest")
def release_sample_for_retest(sample: Sample, *, actor: User, reason: str) -> Sample:
    """Give a retained sample free for a retest."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Name the plan or the case that asks for the retest."]})
    refuse_if_held(sample.record_kind, sample.record_code)
    fresh: Sample = advance(sample, MACHINE, "release_for_retest")
    add_event(fresh, Kind.MOVE, by=actor, cause="released for retest")
    fresh.save()
    return fresh


@act("sample.dispose")
def dispose_sample(sample: Sample, *, actor: User, reason: str) -> Sample:
    """Dispose of a sample: not while it is to be kept, and not while a nonconformance about it is open."""
    if not reason.strip():
        raise Invalid("Say how and why.", fields={"reason": ["A way of disposal and a reason are expected."]})
    fresh: Sample = advance(sample, MACHINE, "dispose")
    _refuse_while_needed(fresh)
    rest = left(fresh)
    add_event(fresh, Kind.DISPOSE, by=actor, amount=-rest if rest else None, cause=reason.strip()[:60])
    fresh.save()
    return fresh


def _refuse_while_needed(sample: Sample) -> None:
    subjects = [("sample", sample.code)]
    source = sample.identity if sample.is_blind else sample
    subjects += [("batch", source.batch.code)] if source.batch else []
    for kind, code in subjects:
        case = open_nonconformances(kind, code).first()
        if case is not None:
            raise Conflict(
                f"{sample.code} is needed for {case.code}: {case.title}",
                code="open-nonconformance",
                next_step=f"Close {case.code} first.",
                case=case.code,
            )
    if sample.keep_until is not None and sample.keep_until >= timezone.localdate():
        raise Conflict(
            f"{sample.code} is to be kept until {sample.keep_until.isoformat()}.",
            code="keep-until",
            next_step="Wait for that day.",
            keep_until=sample.keep_until.isoformat(),
        )
