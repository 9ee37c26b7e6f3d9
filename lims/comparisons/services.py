"""Pose a comparison, change it, include what would be left out, close it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict, Unpack

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.comparisons.bridge import COMPARED
from lims.comparisons.models import Comparison, Inclusion
from lims.comparisons.states import MACHINE
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid, Stale, WrongState
from lims.core.machines import advance, locked
from lims.rigs.models import MethodVersion
from lims.rigs.states import MethodState
from lims.samples.models import Sample


class Question(TypedDict, total=False):
    """What a comparison asks."""

    title: str
    question: str
    method_version: MethodVersion
    samples: Sequence[Sample]
    figure: str
    reference: Sample | None
    confidence: float


@act("comparison.pose")
def pose_comparison(*, actor: User, **asked: Unpack[Question]) -> Comparison:
    """Ask how samples rank under one method. Refuses fewer than two samples, and a method not yet approved."""
    comparison = Comparison(code=next_code("comparison"), posed_by=actor)
    _fill(comparison, asked)
    return comparison


@act("comparison.change")
def change_comparison(
    comparison: Comparison, *, actor: User, version: int, reason: str = "", **asked: Unpack[Question]
) -> Comparison:
    """Change what a comparison asks; `version` is the one that was read. Refuses where somebody changed it since."""
    fresh = locked(comparison)
    if fresh.version != version:
        raise Stale(
            f"{fresh.code} was changed since you read it.",
            next_step="Read it again and make your change to what stands now.",
            version=fresh.version,
        )
    _refuse_closed(fresh)
    _fill(fresh, asked)
    return fresh


def _fill(comparison: Comparison, asked: Question) -> None:
    samples = list(dict.fromkeys(asked.get("samples") or (comparison.samples.all() if comparison.pk else ())))
    for name in ("title", "question", "method_version", "figure", "reference", "confidence"):
        if name in asked:
            setattr(comparison, name, asked[name])
    _refuse_odd(comparison, samples)
    comparison.save()
    comparison.samples.set(samples)


def _refuse_odd(comparison: Comparison, samples: Sequence[Sample]) -> None:
    fields: dict[str, list[str]] = {}
    if len(samples) < 2:
        fields["samples"] = ["A comparison needs at least two samples."]
    if comparison.figure not in COMPARED:
        fields["figure"] = [f"One of: {', '.join(COMPARED)}."]
    if comparison.reference is not None and comparison.reference not in samples:
        fields["reference"] = [f"{comparison.reference.code} is not among the samples."]
    if comparison.method_version_id is None:
        fields["method_version"] = ["Choose the method."]
    elif comparison.method_version.state == MethodState.DRAFT:
        fields["method_version"] = [f"{comparison.method_version.code} is not approved yet."]
    if fields:
        words = " ".join(message for messages in fields.values() for message in messages)
        raise Invalid(words, code="bad-question", fields=fields)


def _refuse_closed(comparison: Comparison) -> None:
    if not MACHINE.allowed(comparison.state):
        raise WrongState(f"{comparison.code} is closed.", state=comparison.state, allowed=[])


@act("comparison.include")
def include_sample(comparison: Comparison, *, actor: User, sample: Sample, reason: str) -> Inclusion:
    """Rank a sample although something speaks against it; the reason stands beside it wherever it is shown."""
    fresh = locked(comparison)
    _refuse_closed(fresh)
    if not reason.strip():
        raise Invalid("Say why it is included.", fields={"reason": ["Write the reason; it is printed."]})
    if not fresh.samples.filter(pk=sample.pk).exists():
        raise Invalid(
            f"{sample.code} is not in {fresh.code}.", fields={"sample": ["Choose a sample of this comparison."]}
        )
    if fresh.inclusions.filter(sample=sample).exists():
        raise Conflict(f"{sample.code} is included already.", code="included-already")
    inclusion = Inclusion(comparison=fresh, sample=sample, reason=reason.strip(), by=actor)
    inclusion.full_clean()
    inclusion.save()
    return inclusion


@act("comparison.close")
def close_comparison(comparison: Comparison, *, actor: User, reason: str = "") -> Comparison:
    """Say that the question is answered; it is not changed any more."""
    fresh: Comparison = advance(comparison, MACHINE, "close")
    fresh.save()
    return fresh
