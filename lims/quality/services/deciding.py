"""What every decision shares: nothing missing, a reason where one is due, verdicts kept, a signature, one row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.cases.selectors import open_nonconformances
from lims.cases.services import open_nonconformance
from lims.core.errors import Conflict, Invalid
from lims.quality.models import Decision, Verdict
from lims.quality.selectors import FAILED, Judgement, Standing, verdicts_of
from lims.signatures.models import Meaning, Signature
from lims.signatures.services import sign

MEANINGS = {
    Decision.Outcome.RELEASE: Meaning.RELEASED,
    Decision.Outcome.REJECT: Meaning.REJECTED,
    Decision.Outcome.WITHDRAW: Meaning.WITHDRAWN,
}


@dataclass(frozen=True, slots=True)
class Signing:
    """Who decides what, why, with their password."""

    actor: User
    password: str
    outcome: Decision.Outcome
    reason: str


def require_nothing_missing(record: Any, standing: Standing, *, reason: str) -> None:
    """Refuse a release while something is missing, naming all of it; what a reason sets aside needs one."""
    if standing.blocking:
        first = standing.blocking[0]
        count = len(standing.blocking)
        raise Conflict(
            f"{record.code} cannot be released: {' '.join(item.words for item in standing.blocking)}",
            code=first.code,
            next_step=f"{count} thing{'s' if count > 1 else ''} missing.",
            missing=[item.words for item in standing.blocking],
        )
    if standing.need_a_reason and not reason.strip():
        words = [item.words for item in standing.need_a_reason]
        raise Invalid(" ".join(words), code=standing.need_a_reason[0].code, fields={"reason": words})


def require_reason(reason: str) -> None:
    """Refuse a decision without its reason."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["This decision needs a reason."]})


def reject(record: Any, standing: Standing, *, actor: User, password: str, reason: str, after: str) -> Any:
    """Sign the rejection of a locked record. A nonconformance opens where none is open about it yet."""
    decide(record, Signing(actor, password, Decision.Outcome.REJECT, reason), standing)
    record.state = after
    record.save()
    if not open_nonconformances(record.record_kind, record.code).exists():
        open_nonconformance(record, actor=None, title=f"{record.code} rejected", description=reason)
    return record


def judge(record: Any, standing: Standing) -> None:
    """Keep what is new in a record's standing as verdicts; a new failure opens a nonconformance and a hold."""
    kind = record.record_kind
    known = {(v.limit_id, v.outcome, v.value, v.u) for v in verdicts_of(kind, record.code)}
    new = [judgement for judgement in standing.judgements if judgement.worst and _mark(judgement) not in known]
    for judgement in new:
        keep_verdict(record, judgement)
    failed = [judgement for judgement in new if judgement.outcome in FAILED]
    # a case that was closed is not opened again by the same result
    if failed and not open_nonconformances(kind, record.code).exists():
        words = "; ".join(judgement.message for judgement in standing.failed)
        open_nonconformance(record, actor=None, title=failed[0].message[:200], description=words)


def _mark(judgement: Judgement) -> tuple[Any, ...]:
    worst = judgement.worst
    return (judgement.limit.pk, judgement.outcome, worst.value if worst else None, worst.u if worst else None)


def keep_verdict(record: Any, judgement: Judgement) -> Verdict:
    """Keep one judgement as a verdict; it never changes afterwards."""
    worst = judgement.worst
    verdict = Verdict(
        subject_kind=record.record_kind,
        subject_code=record.code,
        limit=judgement.limit,
        outcome=judgement.outcome,
        value=worst.value if worst else None,
        u=worst.u if worst else None,
        probability=judgement.probability,
        evidence=list(judgement.evidence),
        message=judgement.message,
    )
    verdict.full_clean()
    verdict.save()
    return verdict


def decide(record: Any, signing: Signing, standing: Standing) -> Decision:
    """Sign a decision with its verdicts and keep it."""
    verdicts = [keep_verdict(record, judgement) for judgement in standing.judgements]
    content = {
        "code": record.code,
        "decision": str(signing.outcome),
        "reason": signing.reason.strip(),
        "verdicts": [verdict.message for verdict in verdicts],
        "specifications": [version.code for version in standing.versions],
    }
    signature = sign(
        actor=signing.actor,
        password=signing.password,
        meaning=MEANINGS[signing.outcome],
        subject=(record.record_kind, record.code),
        content=content,
    )
    return _kept(record, signing, signature, verdicts)


def keep_decision(record: Any, signing: Signing, standing: Standing, signature: Signature) -> Decision:
    """Keep a decision, with its verdicts, that was signed already."""
    return _kept(record, signing, signature, [keep_verdict(record, judgement) for judgement in standing.judgements])


def _kept(record: Any, signing: Signing, signature: Signature, verdicts: list[Verdict]) -> Decision:
    decision = Decision(
        subject_kind=record.record_kind,
        subject_code=record.code,
        outcome=signing.outcome,
        reason=signing.reason.strip(),
        by=signing.actor,
        signature=signature,
    )
    decision.full_clean()
    decision.save()
    decision.verdicts.set(verdicts)
    note_change(decision, {"decision": (None, str(signing.outcome))})
    return decision
