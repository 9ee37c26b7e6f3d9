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
from lims.quality.selectors import Judgement, Standing
from lims.signatures.models import Meaning
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
    subject = (record.record_kind, record.code)
    signature = sign(
        actor=signing.actor,
        password=signing.password,
        meaning=MEANINGS[signing.outcome],
        subject=subject,
        content=content,
    )
    decision = Decision(
        subject_kind=subject[0],
        subject_code=subject[1],
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
