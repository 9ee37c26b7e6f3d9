"""Read materials, their sheets, and what they must not meet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Q, QuerySet

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.errors import NotFound
from lims.core.finding import by_code
from lims.materials.models import Incompatibility, Material, SafetySheet


def get_material_for(user: User, code: str) -> Material:
    """One material, for those who may read the laboratory's records."""
    require(user, "laboratory.read")
    return by_code(Material.objects.all(), code, "material")


def materials(*, text: str = "", kind: str = "") -> QuerySet[Material]:
    """Every material, narrowed by a part of its name or its code and by kind."""
    rows = Material.objects.order_by("name")
    if text:
        rows = rows.filter(Q(name__icontains=text) | Q(code__iexact=text))
    return rows.filter(kind=kind) if kind else rows


def sheets_of(material: Material) -> QuerySet[SafetySheet]:
    """The safety data sheets of a material, newest first."""
    return SafetySheet.objects.filter(material=material).select_related("supplier", "file", "by").order_by("-id")


def incompatibilities_of(material: Material) -> list[Incompatibility]:
    """What a material must not meet, as far as it is recorded, from either side."""
    rows = Incompatibility.objects.filter(Q(material=material) | Q(other=material), withdrawn=False)
    return list(rows.select_related("material", "other"))


def get_incompatibility_of(material: Material, number: int) -> Incompatibility:
    """One record of what a material must not meet, by its number."""
    found = next((row for row in incompatibilities_of(material) if row.pk == number), None)
    if found is None:
        raise NotFound(f"There is no record {number} of what {material.code} must not meet.")
    return found


@dataclass(frozen=True, slots=True)
class Meeting:
    """Two that meet and must not: which, what happens, where that is said."""

    first: str
    second: str
    effect: str
    source: str
    on_surface: bool = False

    @property
    def words(self) -> str:
        return f"{self.first} meets {self.second}: {self.effect}"


def warnings_between(materials: Iterable[Material], *, surfaces: Iterable[str] = ()) -> list[Meeting]:
    """What is recorded against these materials meeting each other, or a metal or surface named in words. One query."""
    here = {material.pk: material for material in materials}
    plain = [_plain(surface) for surface in surfaces if surface.strip()]
    rows = Incompatibility.objects.filter(Q(material__in=here) | Q(other__in=here), withdrawn=False)
    found = []
    for row in rows.select_related("material", "other"):
        if row.other_id and row.material_id in here and row.other_id in here:
            found.append(Meeting(row.material.name, row.with_what, row.effect, row.source))
        found += [
            Meeting(here[mine].name, surface, row.effect, row.source, True)
            for surface in plain
            for mine in (row.material_id, row.other_id)
            if mine in here and _names(row, surface, mine)
        ]
    return list(dict.fromkeys(found))


def _names(row: Incompatibility, surface: str, mine: int) -> bool:
    """Whether the other side of a record is this surface, in words: 'aluminium' in 'nickel-plated aluminium'."""
    if row.other is None:
        return _plain(row.surface) in surface
    other = row.other if row.material_id == mine else row.material
    name = _plain(other.name)
    return name in surface or surface in name


def _plain(words: str) -> str:
    return words.strip().lower().replace("aluminum", "aluminium")
