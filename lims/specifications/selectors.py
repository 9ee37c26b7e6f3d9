"""Read specifications, and which one is in force for a lot or a batch."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Prefetch, Q, QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.codes import expect_kind
from lims.core.display import pretty_unit
from lims.core.errors import NotFound
from lims.core.finding import by_code
from lims.core.quantities import from_si, quantity
from lims.formulations.models import Formulation
from lims.materials.kinds import PROPERTIES, property_of
from lims.materials.models import Material
from lims.specifications.models import Limit, Specification, SpecificationVersion
from lims.specifications.states import SpecificationState


def get_specification_for(user: User, code: str) -> SpecificationVersion:
    """One specification version by its code SP-009/1; SP-009 alone gives the newest."""
    require(user, "laboratory.read")
    rows = SpecificationVersion.objects.select_related(
        "specification__material", "specification__formulation", "author", "approved_by"
    ).prefetch_related("limits")
    plain = expect_kind(code, "specification")
    if "/" in plain:
        return by_code(rows, plain, "specification")
    found = rows.filter(specification__code=plain).order_by("-number").first()
    if found is None:
        raise NotFound(f"There is no specification {plain}.")
    return found


def specifications(*, text: str = "") -> QuerySet[Specification]:
    """Specifications with their versions, newest first."""
    newest = SpecificationVersion.objects.order_by("-number")
    rows = Specification.objects.select_related("material", "formulation").order_by("-id")
    rows = rows.prefetch_related(Prefetch("versions", newest))
    return rows.filter(Q(name__icontains=text) | Q(code__iexact=text)) if text else rows


def specifications_to_approve() -> QuerySet[SpecificationVersion]:
    """Drafts that wait for approval, oldest first."""
    rows = SpecificationVersion.objects.filter(state=SpecificationState.DRAFT)
    return rows.select_related("specification", "author").order_by("id")


def in_force(
    *, material: Material | None = None, formulation: Formulation | None = None, at: datetime | None = None
) -> list[SpecificationVersion]:
    """The versions in force at a time, one of each specification of this material or formulation."""
    moment = at or timezone.now()
    rows = SpecificationVersion.objects.filter(
        specification__material=material,
        specification__formulation=formulation,
        state=SpecificationState.APPROVED,
        effective_from__lte=moment,
    )
    newest = rows.order_by("specification_id", "-effective_from", "-number").distinct("specification_id")
    return list(newest.select_related("specification").prefetch_related("limits"))


def state_words(version: SpecificationVersion) -> str:
    """A version's state as it is now: approved becomes effective on its day, superseded when the next one is."""
    if version.state != SpecificationState.APPROVED or version.effective_from is None:
        return str(version.state)
    now = timezone.now()
    if version.effective_from > now:
        return "approved"
    later = SpecificationVersion.objects.filter(
        specification=version.specification_id,
        state=SpecificationState.APPROVED,
        effective_from__lte=now,
        effective_from__gt=version.effective_from,
    )
    return "superseded" if later.exists() else "effective"


def label_of(key: str) -> str:
    """What a limited quantity is called."""
    return property_of(key).label if key in PROPERTIES else quantity(key).label


def shown_unit_of(key: str) -> str:
    """The unit a limited quantity is shown in."""
    return property_of(key).shown if key in PROPERTIES else quantity(key).shown


def dimension_of(key: str) -> str:
    """The dimension of a limited quantity, for the border of units."""
    return property_of(key).dimension if key in PROPERTIES else quantity(key).key


def limit_words(limit: Limit) -> str:
    """A limit as it was entered: `D90, at most 12 µm`."""
    return f"{label_of(limit.quantity)}, {limit.as_entered}"


def entered_words(lower: Any, upper: Any, unit: str) -> str:
    """Both ends in the unit they were entered in."""
    shown = pretty_unit(unit)
    if lower is None:
        return f"at most {upper:g} {shown}".strip()
    if upper is None:
        return f"at least {lower:g} {shown}".strip()
    return f"{lower:g} to {upper:g} {shown}".strip()


@dataclass(frozen=True, slots=True)
class LimitWords:
    """A limit as a page or a paper shows it."""

    limit: Limit
    label: str
    warning: str


def limit_shown(limit: Limit) -> LimitWords:
    """A limit with its quantity's name and its warning limits in the unit it is shown in."""
    unit, of = shown_unit_of(limit.quantity), dimension_of(limit.quantity)
    low, high = (
        None if end is None else float(from_si(end, unit=unit, of=of)) for end in (limit.warn_lower, limit.warn_upper)
    )
    warning = "" if low is None and high is None else entered_words(low, high, unit)
    return LimitWords(limit, label_of(limit.quantity), warning)


def in_force_for(kind: str, code: str) -> list[SpecificationVersion]:
    """The versions in force now for lots of a material or batches of a formulation, by kind and code."""
    if kind == "material":
        return in_force(material=Material.objects.get(code=code))
    return in_force(formulation=Formulation.objects.get(code=code)) if kind == "formulation" else []
