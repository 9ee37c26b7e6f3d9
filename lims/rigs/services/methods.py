"""Methods in versions: draft, approve by another person, retire."""

from __future__ import annotations

from datetime import datetime
from typing import Any, TypedDict, Unpack, cast

from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.core.machines import advance, locked
from lims.rigs.bridge import reduction_methods
from lims.rigs.models import Method, MethodVersion
from lims.rigs.states import METHOD_MACHINE, MethodState

CONTENT = (
    "reduction_method",
    "document",
    "area",
    "surface",
    "heater_power",
    "heater_power_tolerance",
    "force",
    "force_tolerance",
    "coolant_temperature",
    "coolant_tolerance",
    "min_duration",
    "max_slope",
    "soak",
    "repeats",
    "authorization",
)
NEEDED = ("heater_power", "force", "coolant_temperature")
POSITIVE = ("area", "heater_power", "force", "min_duration", "max_slope")


class MethodFacts(TypedDict, total=False):
    """What a method version states, in SI; tolerances of power and force as fractions."""

    reduction_method: str
    document: str
    reason: str
    area: float
    surface: str
    heater_power: float | None
    heater_power_tolerance: float
    force: float | None
    force_tolerance: float
    coolant_temperature: float | None
    coolant_tolerance: float
    min_duration: float
    max_slope: float
    soak: float
    repeats: int
    authorization: str


@act("method.create")
def create_method(*, actor: User, name: str, scope: str = "", **facts: Unpack[MethodFacts]) -> Method:
    """Begin a method; where facts are given, its first version is drafted at once."""
    method = Method(code=next_code("method"), name=name, scope=scope)
    method.save()
    if facts:
        _add_version(method, 1, actor, facts)
    return method


@act("method.edit")
def draft_method_version(method: Method, *, actor: User, **facts: Unpack[MethodFacts]) -> MethodVersion:
    """Draft the next version: a copy of the last, with `facts` in the place of what is new."""
    locked(method)
    last = method.versions.order_by("-number").first()
    if last is not None and last.state == MethodState.DRAFT:
        raise Conflict(
            f"{last.code} is still a draft.", code="draft-stands", next_step="Edit that draft, or have it approved."
        )
    if last is not None and not facts.get("reason", "").strip():
        raise Invalid("Say what is new and why.", fields={"reason": ["A new version needs a reason."]})
    copied = {name: getattr(last, name) for name in CONTENT} if last else {}
    return _add_version(method, last.number + 1 if last else 1, actor, cast(MethodFacts, copied | facts))


def _add_version(method: Method, number: int, actor: User, facts: MethodFacts) -> MethodVersion:
    version = MethodVersion(method=method, number=number, code=f"{method.code}/{number}", author=actor, **facts)
    _check(version)
    version.save()
    return version


@act("method.edit")
def edit_method_version(version: MethodVersion, *, actor: User, **facts: Unpack[MethodFacts]) -> MethodVersion:
    """Change one's own draft. An approved version never changes; draft the next one."""
    fresh = locked(version)
    if fresh.state != MethodState.DRAFT:
        raise Conflict(
            f"{fresh.code} is {fresh.state} and cannot change.",
            code="version-fixed",
            next_step="Draft a new version.",
        )
    if fresh.author_id != actor.pk:
        raise NotAllowed(f"{fresh.code} is the draft of {fresh.author.printed_name}.", code="not-own-record")
    for name, value in facts.items():
        setattr(fresh, name, value)
    _check(fresh)
    fresh.save()
    return fresh


def _check(version: MethodVersion) -> None:
    if version.reduction_method not in reduction_methods():
        words = f"Choose one of: {', '.join(reduction_methods())}."
        raise Invalid("The reduction method is not known.", fields={"reduction_method": [words]})
    wrong = [n for n in POSITIVE if (value := getattr(version, n)) is not None and not _above_zero(value)]
    if wrong:
        raise Invalid("Some values must be above zero.", fields={n: ["Must be above zero."] for n in wrong})


def _above_zero(value: Any) -> bool:
    return isinstance(value, int | float) and value > 0


@act("method.release")
def approve_method_version(
    version: MethodVersion, *, actor: User, effective_from: datetime | None = None, reason: str = ""
) -> MethodVersion:
    """Approve a draft for use from a time on (now, unless said); not by its author."""
    require_not_own_work(actor, "method.release", {locked(version).author_id})
    fresh: MethodVersion = advance(version, METHOD_MACHINE, "approve")
    missing = [name for name in NEEDED if getattr(fresh, name) is None]
    if missing:
        words = ", ".join(name.replace("_", " ") for name in missing)
        raise Invalid(f"{fresh.code} does not say: {words}.", fields={n: ["Needed for approval."] for n in missing})
    fresh.approved_by = actor
    fresh.effective_from = effective_from or timezone.now()
    fresh.save()
    return fresh


@act("method.retire")
def retire_method_version(version: MethodVersion, *, actor: User, reason: str) -> MethodVersion:
    """Retire a version: no new work by it; old runs keep it, with the mark "retired"."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Retiring a method version needs a reason."]})
    fresh: MethodVersion = advance(version, METHOD_MACHINE, "retire")
    fresh.save()
    return fresh
