"""Write specifications, approve them by another person, withdraw them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, locked
from lims.core.quantities import to_si
from lims.formulations.models import Formulation
from lims.materials.models import Material
from lims.rigs.models import Method
from lims.signatures.models import Meaning
from lims.signatures.services import sign
from lims.specifications.models import Limit, Specification, SpecificationVersion
from lims.specifications.selectors import dimension_of, entered_words
from lims.specifications.states import MACHINE, SpecificationState


@dataclass(frozen=True, slots=True)
class LimitSpec:
    """One limit: lower, upper and target in `unit`; how many results are asked."""

    quantity: str
    unit: str
    lower: float | None = None
    upper: float | None = None
    target: float | None = None
    method: Method | None = None
    results_required: int = 1
    basis: str = "each"
    warn_lower: float | None = None
    warn_upper: float | None = None


class RuleSpec(TypedDict, total=False):
    """How limits are applied: `guard_factor`, a multiple of U (1 where left out), or `risk`, which then rules."""

    guard_factor: float | None
    risk: float | None


@act("specification.draft")
def create_specification(
    *,
    actor: User,
    name: str,
    limits: Sequence[LimitSpec],
    subject: Material | Formulation,
    **rule: Unpack[RuleSpec],
) -> SpecificationVersion:
    """Write version 1 of a specification of a material's lots or a formulation's batches, as a draft.

    The rule: a guard band as a multiple of U (0 for simple acceptance), or the greatest risk of a wrong acceptance.
    """
    if Specification.objects.filter(name__iexact=name.strip()).exists():
        raise Conflict(f"There is a specification called {name.strip()} already.", code="name-taken")
    place = {"material": subject} if isinstance(subject, Material) else {"formulation": subject}
    specification = Specification(code=next_code("specification"), name=name.strip(), **place)
    specification.save()
    return _new_version(specification, number=1, actor=actor, limits=limits, rule=rule)


@act("specification.draft")
def new_specification_version(
    before: SpecificationVersion, *, actor: User, limits: Sequence[LimitSpec], **rule: Unpack[RuleSpec]
) -> SpecificationVersion:
    """Write the next version of a specification, as a draft."""
    specification = locked(before.specification)
    if specification.versions.filter(state=SpecificationState.DRAFT).exists():
        raise Conflict(f"{specification.code} has a draft already.", code="version-in-work")
    last = specification.versions.order_by("-number").first()
    number = (last.number if last else 0) + 1
    return _new_version(specification, number=number, actor=actor, limits=limits, rule=rule)


@act("specification.draft")
def edit_specification(
    version: SpecificationVersion, *, actor: User, limits: Sequence[LimitSpec], **rule: Unpack[RuleSpec]
) -> SpecificationVersion:
    """Write the limits of a draft anew."""
    fresh = locked(version)
    if fresh.state != SpecificationState.DRAFT:
        raise Conflict(
            f"{fresh.code} is {fresh.state}; only a draft can change.",
            code="not-a-draft",
            next_step="Write a new version.",
        )
    fresh.rule, fresh.guard_factor, fresh.risk = _rule(rule)
    fresh.save()
    for row in fresh.limits.all():
        note_change(row, {row.quantity: (row.as_entered, None)})
        row.delete()
    _write_limits(fresh, limits)
    return fresh


@act("specification.approve")
def approve_specification(
    version: SpecificationVersion, *, actor: User, password: str, effective_from: datetime | None = None
) -> SpecificationVersion:
    """Approve a draft by signature, in force from now or from a later day; never by its author."""
    require_not_own_work(actor, "specification.approve", {version.author_id})
    start = effective_from or timezone.now()
    fresh: SpecificationVersion = advance(version, MACHINE, "approve")
    if not fresh.limits.exists():
        raise Invalid("A specification without a limit says nothing.", fields={"limits": ["Add a limit."]})
    standing = fresh.specification.versions.filter(state=SpecificationState.APPROVED, effective_from__gte=start)
    if standing.exists():
        raise Conflict(
            f"{standing[0].code} is in force from {standing[0].effective_from:%Y-%m-%d} on.",
            code="overlap",
            fields={"effective_from": ["A later time is expected."]},
        )
    content = {**content_of(fresh), "effective_from": start.isoformat()}
    sign(actor=actor, password=password, meaning=Meaning.APPROVED, subject=_subject(fresh), content=content)
    fresh.approved_by, fresh.effective_from = actor, start
    fresh.save()
    return fresh


@act("specification.approve")
def withdraw_specification(
    version: SpecificationVersion, *, actor: User, password: str, reason: str
) -> SpecificationVersion:
    """Withdraw an approved version by signature; verdicts given by it stay."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Withdrawing needs a reason."]})
    require_not_own_work(actor, "specification.approve", {version.author_id})
    fresh: SpecificationVersion = advance(version, MACHINE, "withdraw")
    content = {**content_of(fresh), "reason": reason.strip()}
    sign(actor=actor, password=password, meaning=Meaning.WITHDRAWN, subject=_subject(fresh), content=content)
    fresh.save()
    return fresh


def content_of(version: SpecificationVersion) -> dict[str, Any]:
    """A version as it is signed."""
    return {
        "code": version.code,
        "name": version.specification.name,
        "rule": version.rule,
        "guard_factor": version.guard_factor,
        "risk": version.risk,
        "limits": [_limit_content(limit) for limit in version.limits.order_by("quantity")],
    }


def _limit_content(limit: Limit) -> dict[str, Any]:
    names = ("quantity", "as_entered", "lower", "upper", "warn_lower", "warn_upper", "basis", "results_required")
    return {name: getattr(limit, name) for name in names}


def _new_version(
    specification: Specification,
    *,
    number: int,
    actor: User,
    limits: Sequence[LimitSpec],
    rule: RuleSpec,
) -> SpecificationVersion:
    kind, factor, risk = _rule(rule)
    version = SpecificationVersion(
        specification=specification,
        number=number,
        code=f"{specification.code}/{number}",
        author=actor,
        rule=kind,
        guard_factor=factor,
        risk=risk,
    )
    version.save()
    _write_limits(version, limits)
    return version


def _rule(rule: RuleSpec) -> tuple[str, float, float | None]:
    rules, risk, factor = SpecificationVersion.Rule, rule.get("risk"), rule.get("guard_factor", 1.0)
    if risk is not None:
        return rules.RISK, 0.0, risk
    return (rules.GUARDED, factor, None) if factor else (rules.SIMPLE, 0.0, None)


def _write_limits(version: SpecificationVersion, limits: Sequence[LimitSpec]) -> None:
    for number, spec in enumerate(limits, start=1):
        _check(number, spec, [other.quantity for other in limits])
        unit, of = spec.unit, dimension_of(spec.quantity)
        ends = {
            name: None if value is None else to_si(value, unit=unit, of=of, field="limits")
            for name, value in (
                ("lower", spec.lower),
                ("upper", spec.upper),
                ("target", spec.target),
                ("warn_lower", spec.warn_lower),
                ("warn_upper", spec.warn_upper),
            )
        }
        Limit(
            specification_version=version,
            quantity=spec.quantity,
            as_entered=entered_words(spec.lower, spec.upper, unit),
            method=spec.method,
            results_required=spec.results_required,
            basis=spec.basis,
            **ends,
        ).save()


def _check(number: int, spec: LimitSpec, keys: list[str]) -> None:
    problem = ""
    if spec.lower is None and spec.upper is None:
        problem = "a lower or an upper limit is expected"
    elif spec.lower is not None and spec.upper is not None and not spec.lower < spec.upper:
        problem = "the lower limit must lie below the upper one"
    elif keys.count(spec.quantity) > 1:
        problem = f"{spec.quantity} is limited twice"
    elif not _inside(spec.warn_lower, spec) or not _inside(spec.warn_upper, spec):
        problem = "a warning limit lies within the limits"
    elif spec.results_required < 1:
        problem = "at least one result is expected"
    if problem:
        raise Invalid(f"Limit {number}: {problem}.", fields={"limits": [f"Limit {number}: {problem}."]})


def _inside(warning: float | None, spec: LimitSpec) -> bool:
    if warning is None:
        return True
    above = spec.lower is None or warning >= spec.lower
    return above and (spec.upper is None or warning <= spec.upper)


def _subject(version: SpecificationVersion) -> tuple[str, str]:
    return (version.record_kind, version.code)
