"""From recipes to `analysis` and back: volume fractions and theoretical density."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal

from analysis.errors import AnalysisError
from analysis.materials.mixture import mixture
from lims.materials.models import Material


@dataclass(frozen=True, slots=True)
class Volumes:
    """Volume fraction of each material by its primary key, and the density; or in `why` the reason for none."""

    fractions: dict[int, float] = field(default_factory=dict)
    density: float | None = None
    why: str = ""


def volumes_of(parts: Iterable[tuple[Material, Decimal]]) -> Volumes:
    """Volume fractions of a composition; never a partial number: one density missing, and there is none."""
    masses: dict[int, float] = {}
    names: dict[int, Material] = {}
    for material, fraction in parts:
        masses[material.pk] = masses.get(material.pk, 0.0) + float(fraction)
        names[material.pk] = material
    lacking = [m.name for m in names.values() if not m.density]
    if lacking:
        return Volumes(why=f"not computed: density of {', '.join(lacking)} missing")
    try:
        found = mixture(
            {str(pk): w for pk, w in masses.items()}, densities={str(pk): m.density or 0.0 for pk, m in names.items()}
        )
    except AnalysisError as error:
        return Volumes(why=f"not computed: {error.message}")
    return Volumes({int(pk): phi for pk, phi in found.volume_fractions.items()}, found.density)
