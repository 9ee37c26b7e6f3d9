"""Find records by words: codes, names, supplier's lot numbers. Sits on the highest noun, so that it knows them all."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Q, QuerySet

from lims.accounts.models import User
from lims.comparisons.models import Comparison
from lims.formulations.models import Batch, Formulation
from lims.materials.models import Lot, Material
from lims.rigs.models import Method, Rig
from lims.samples.models import Sample

EACH = 20


@dataclass(frozen=True, slots=True)
class Found:
    """One record that matches: its kind, code, and what tells it apart."""

    kind: str
    code: str
    label: str


def find(user: User, text: str) -> list[Found]:
    """Records whose code, name or supplier's lot number holds every word of `text`; recipes only for those who may."""
    words = text.split()
    if not words:
        return []
    sources: list[tuple[QuerySet[Lot] | QuerySet[Material] | QuerySet[Batch], tuple[str, ...]]] = [
        (Lot.objects.select_related("material"), ("code", "supplier_lot", "material__name")),
        (Material.objects.all(), ("code", "name")),
        (Batch.objects.all(), ("code", "name")),
        (Sample.objects.all(), ("code", "name")),  # type: ignore[list-item]
        (Rig.objects.all(), ("code", "name", "serial")),  # type: ignore[list-item]
        (Method.objects.all(), ("code", "name")),  # type: ignore[list-item]
        (Comparison.objects.all(), ("code", "title")),  # type: ignore[list-item]
    ]
    if user.may("recipe.read"):
        sources.append((Formulation.objects.all(), ("code", "name")))  # type: ignore[arg-type]
    return [found for rows, fields in sources for found in _matches(rows, fields, words)]


def _matches(
    rows: QuerySet[Lot] | QuerySet[Material] | QuerySet[Batch], fields: tuple[str, ...], words: list[str]
) -> list[Found]:
    for word in words:
        condition = Q()
        for name in fields:
            condition |= Q(**{f"{name}__icontains": word})
        rows = rows.filter(condition)
    return [Found(row.record_kind, row.record_code, _label(row)) for row in rows[:EACH]]


def _label(row: object) -> str:
    if isinstance(row, Lot):
        return f"{row.material.name}, supplier's lot {row.supplier_lot}"
    return str(getattr(row, "name", "") or getattr(row, "title", ""))
