"""Pose a comparison, change it, include what would be left out, close it; issue its report, withdraw one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict, Unpack

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.comparisons.bridge import COMPARED
from lims.comparisons.exporters import EXPORTERS
from lims.comparisons.freezing import content_of_comparison
from lims.comparisons.models import Comparison, Inclusion, Report
from lims.comparisons.reports import changed_since, last_report_of, standing_now
from lims.comparisons.states import MACHINE
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid, Stale, WrongState
from lims.core.machines import advance, locked
from lims.rigs.models import MethodVersion
from lims.rigs.states import MethodState
from lims.runs.models import Run
from lims.samples.models import Sample
from lims.signatures.freezing import Issuing, issue_paper, withdraw_paper


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


@act("comparison.issue")
def issue_report(comparison: Comparison, *, actor: User, password: str, reason: str = "", address: str = "") -> Report:
    """Issue what the comparison shows now as a numbered report, signed; not by who posed it or took part in the work.

    A refused ranking is issued as well: "these cannot be ranked, because". A further issue names what changed and takes
    the place of the last one.
    """
    fresh = locked(comparison)
    require_not_own_work(actor, "comparison.issue", took_part_in(fresh))
    content, before = content_of_comparison(fresh), last_report_of(fresh)
    _refuse_empty(fresh, content["rows"])
    issuing = Issuing(
        actor=actor,
        password=password,
        number=before.number if before else next_code("report"),
        title=fresh.title,
        content=content,
        author=fresh.posed_by,
        before=before,
        changes=tuple(changed_since(before, content)) if before else (),
        reason=reason.strip(),
        links={"comparison": fresh},
    )
    return issue_paper(Report, issuing, draw=lambda paper: _drawn(paper, address))


def _drawn(paper: Report, address: str) -> bytes:
    content, standing = standing_now(paper, address=address.replace("{code}", paper.code))
    return EXPORTERS["pdf"].write(content, standing)


def _refuse_empty(comparison: Comparison, rows: Sequence[object]) -> None:
    if not rows:
        raise Conflict(
            f"No run of the samples of {comparison.code} is there; nothing can be reported.",
            code="no-runs",
            next_step="Put the samples on a rig and send their runs first.",
        )


def took_part_in(comparison: Comparison) -> set[int | None]:
    """Who posed the comparison, included samples in it, put its samples on or sent their runs."""
    runs = Run.objects.filter(application__sample__comparisons=comparison)
    rows = runs.values_list("uploaded_by_id", "application__applied_by_id")
    people: set[int | None] = {person for row in rows for person in row}
    return people | {comparison.posed_by_id, *comparison.inclusions.values_list("by_id", flat=True)}


@act("report.withdraw")
def withdraw_report(report: Report, *, actor: User, password: str, reason: str) -> Report:
    """Withdraw a report by a further signature; it stays readable and is marked everywhere."""
    require_not_own_work(actor, "report.withdraw", {report.author_id})
    return withdraw_paper(report, actor=actor, password=password, reason=reason)
