"""Formulations and their versions: write, submit, approve, withdraw."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work, require_own
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.cases.services import place_hold
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid, Stale
from lims.core.machines import advance, locked, state_words
from lims.formulations.models import Batch, Formulation, FormulationLine, FormulationVersion, ProcessStep, TestLimit
from lims.formulations.selectors import content_of
from lims.formulations.services.parts import (
    LimitOfTest,
    LineSpec,
    StepSpec,
    check_limits,
    check_lines,
    check_steps,
    check_total,
)
from lims.formulations.states import VERSION_MACHINE, BatchState, VersionState
from lims.signatures.models import Meaning
from lims.signatures.services import digest_of, sign

UNFINISHED = (BatchState.PLANNED, BatchState.WEIGHING, BatchState.PROCESSING)


@act("formulation.create")
def create_formulation(
    *,
    actor: User,
    name: str,
    purpose: str = "",
    lines: Sequence[LineSpec] = (),
    steps: Sequence[StepSpec] = (),
    tests: Sequence[LimitOfTest] = (),
) -> Formulation:
    """Begin a formulation; its first version is a draft, `formulation.versions.get()`."""
    formulation = _named(name, purpose, actor)
    version = _new(formulation, number=1, author=actor)
    _write(version, lines=lines, steps=steps, tests=tests)
    return formulation


@act("formulation.create")
def new_version(parent: FormulationVersion, *, actor: User, reason: str) -> FormulationVersion:
    """Begin the next version as a copy of `parent`, with the reason for it."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A new version needs its reason."]})
    formulation = locked(parent.formulation)
    if formulation.versions.filter(state__in=(VersionState.DRAFT, VersionState.IN_REVIEW)).exists():
        raise Conflict(f"{formulation.code} has a version in work already.", code="version-in-work")
    last = formulation.versions.order_by("-number").first()
    number = (last.number if last else 0) + 1
    version = _new(formulation, number=number, author=actor, parent=parent, reason=reason.strip())
    _write_as(version, parent)
    return version


@act("formulation.create")
def copy_formulation(
    origin: FormulationVersion, *, actor: User, name: str, purpose: str = "", reason: str = ""
) -> Formulation:
    """Begin a new formulation as a copy of any version; its first version names where it came from."""
    formulation = _named(name, purpose, actor)
    words = " ".join(filter(None, (f"Copied from {origin.code}.", reason.strip())))
    version = _new(formulation, number=1, author=actor, parent=origin, reason=words)
    _write_as(version, origin)
    return formulation


@act("formulation.edit")
def edit_draft(
    version: FormulationVersion,
    *,
    actor: User,
    lines: Sequence[LineSpec],
    steps: Sequence[StepSpec],
    tests: Sequence[LimitOfTest] | None = None,
    read: int | None = None,
) -> FormulationVersion:
    """Write the lines and steps of a draft anew, and its limits of tests where given; `read`: the version read."""
    fresh = _draft(version)
    if read is not None and read != fresh.version:
        raise Stale(
            f"{fresh.code} was changed by somebody while you were writing.",
            next_step="What you typed is still here. Look at the draft, then send again.",
            version=fresh.version,
        )
    _write(fresh, lines=lines, steps=steps, tests=tests)
    fresh.save()
    return fresh


@act("formulation.edit")
def set_test_limits(version: FormulationVersion, *, actor: User, tests: Sequence[LimitOfTest]) -> FormulationVersion:
    """Set the limits of a draft's in-process tests; batches made of the version are held to them."""
    fresh = _draft(version)
    _write_limits(fresh, tests)
    fresh.save()
    return fresh


def _draft(version: FormulationVersion) -> FormulationVersion:
    """The version, locked, while it is a draft."""
    fresh = locked(version)
    if fresh.state != VersionState.DRAFT:
        raise Conflict(
            f"{fresh.code} is {state_words(fresh)}; only a draft can change.",
            code="not-a-draft",
            next_step="Begin a new version.",
        )
    return fresh


@act("formulation.submit")
def submit_version(version: FormulationVersion, *, actor: User) -> FormulationVersion:
    """Hand a draft in for review: its lines make 100 %, its steps say what to do."""
    require_own(actor, "formulation.submit", version.author_id)
    fresh: FormulationVersion = advance(version, VERSION_MACHINE, "submit")
    lines = [_line(row) for row in fresh.lines.select_related("material")]
    check_lines(lines)
    check_total(lines, tolerance=fresh.total_tolerance)
    steps = [_step(row) for row in fresh.steps.all()]
    if not steps:
        raise Invalid("There are no steps yet.", fields={"steps": ["At least one step is expected."]})
    check_steps(steps)
    fresh.save()
    return fresh


@act("formulation.return")
def return_version(version: FormulationVersion, *, actor: User, reason: str) -> FormulationVersion:
    """Give a version back to its author with a comment."""
    _need(reason)
    require_not_own_work(actor, "formulation.return", {version.author_id})
    fresh: FormulationVersion = advance(version, VERSION_MACHINE, "return")
    fresh.save()
    return fresh


@act("formulation.approve")
def approve_version(version: FormulationVersion, *, actor: User, password: str, reason: str = "") -> FormulationVersion:
    """Approve a version by signature; the one in force before it is superseded. Never by its author."""
    require_not_own_work(actor, "formulation.approve", {version.author_id})
    fresh: FormulationVersion = advance(version, VERSION_MACHINE, "approve")
    content = content_of(fresh)
    sign(actor=actor, password=password, meaning=Meaning.APPROVED, subject=_subject(fresh), content=content)
    for before in fresh.formulation.versions.filter(state=VersionState.APPROVED).exclude(pk=fresh.pk):
        old = advance(before, VERSION_MACHINE, "supersede")
        old.save()
    fresh.approved_by, fresh.approved_at, fresh.digest = actor, timezone.now(), digest_of(content)
    fresh.save()
    return fresh


@act("formulation.withdraw")
def withdraw_version(version: FormulationVersion, *, actor: User, password: str, reason: str) -> FormulationVersion:
    """Withdraw an approved version by signature; unfinished batches of it go on hold."""
    _need(reason)
    require_not_own_work(actor, "formulation.withdraw", {version.author_id})
    fresh: FormulationVersion = advance(version, VERSION_MACHINE, "withdraw")
    content = {**content_of(fresh), "reason": reason.strip()}
    sign(actor=actor, password=password, meaning=Meaning.WITHDRAWN, subject=_subject(fresh), content=content)
    fresh.save()
    for batch in Batch.objects.filter(recipe=fresh, state__in=UNFINISHED):
        place_hold(batch, actor=None, reason=f"{fresh.code} was withdrawn: {reason.strip()}")
    return fresh


@act("formulation.abandon")
def abandon_version(version: FormulationVersion, *, actor: User, reason: str = "") -> FormulationVersion:
    """Give up a draft; it stays on record."""
    require_own(actor, "formulation.abandon", version.author_id)
    fresh: FormulationVersion = advance(version, VERSION_MACHINE, "abandon")
    fresh.save()
    return fresh


def _write_as(version: FormulationVersion, other: FormulationVersion) -> None:
    """Give a version what another one holds."""
    _write(
        version,
        lines=[_line(row) for row in other.lines.select_related("material")],
        steps=[_step(s) for s in other.steps.all()],
        tests=[LimitOfTest(row.test, row.lower, row.upper) for row in other.test_limits.all()],
    )


def _named(name: str, purpose: str, actor: User) -> Formulation:
    if Formulation.objects.filter(name__iexact=name.strip()).exists():
        taken = {"name": ["This name is taken."]}
        raise Conflict(f"There is a formulation called {name.strip()} already.", code="name-taken", fields=taken)
    formulation = Formulation(
        code=next_code("formulation"), name=name.strip(), purpose=purpose.strip(), created_by=actor
    )
    formulation.save()
    return formulation


def _new(formulation: Formulation, *, number: int, author: User, **facts: Any) -> FormulationVersion:
    version = FormulationVersion(
        formulation=formulation, number=number, code=f"{formulation.code}/{number}", author=author, **facts
    )
    version.save()
    return version


def _write(
    version: FormulationVersion,
    *,
    lines: Sequence[LineSpec],
    steps: Sequence[StepSpec],
    tests: Sequence[LimitOfTest] | None,
) -> None:
    check_lines(lines)
    check_steps(steps)
    _replace(version, FormulationLine, [_facts_of_line(line) for line in lines])
    _replace(version, ProcessStep, [_facts_of_step(step) for step in steps])
    if tests is not None:
        _write_limits(version, tests)


def _write_limits(version: FormulationVersion, tests: Sequence[LimitOfTest]) -> None:
    check_limits(tests)
    _replace(version, TestLimit, [{"test": t.test, "lower": t.lower, "upper": t.upper} for t in tests])


def _replace(version: FormulationVersion, model: Any, rows: Sequence[dict[str, Any]]) -> None:
    """Bring the parts of a draft to `rows`, changing only what differs."""
    standing = {row.position: row for row in model.objects.filter(recipe=version)}
    for position, facts in enumerate(rows, start=1):
        row = standing.pop(position, None) or model(recipe=version, position=position)
        if row.pk is None or any(getattr(row, name) != value for name, value in facts.items()):
            for name, value in facts.items():
                setattr(row, name, value)
            row.save()
    for row in standing.values():
        note_change(row, {"position": (row.position, None)})
        row.delete()


def _facts_of_line(line: LineSpec) -> dict[str, Any]:
    names = ("material", "fraction", "tolerance", "outer_tolerance")
    return {name: getattr(line, name) for name in names}


def _facts_of_step(step: StepSpec) -> dict[str, Any]:
    names = ("instruction", "speed", "duration", "pressure", "temperature", "tolerance", "hold_point")
    return {name: getattr(step, name) for name in names} | {"instruction": step.instruction.strip()}


def _line(row: FormulationLine) -> LineSpec:
    return LineSpec(row.material, row.fraction, row.tolerance, row.outer_tolerance)


def _step(row: ProcessStep) -> StepSpec:
    settings = (row.speed, row.duration, row.pressure, row.temperature)
    return StepSpec(row.instruction, *settings, tolerance=row.tolerance, hold_point=row.hold_point)


def _subject(version: FormulationVersion) -> tuple[str, str]:
    return (version.record_kind, version.code)


def _need(reason: str) -> None:
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["This act needs a reason."]})
