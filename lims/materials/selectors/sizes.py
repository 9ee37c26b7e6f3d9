"""Read size distributions: what they say, and how that agrees with the sizes that are stated."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from lims.core.errors import NotFound
from lims.core.quantities import from_si, spread_from_si
from lims.materials.bridge import Sizes, sizes_of, sizes_plot
from lims.materials.models import Lot, LotProperty, SizeDistribution

UNIT = "um"
MOST_TABLES = 50


@dataclass(frozen=True, slots=True)
class Stated:
    """One size as the distribution has it, and as it is stated by the same source, in µm."""

    label: str
    computed: float
    stated: float | None = None
    u: float | None = None

    @property
    def difference(self) -> float | None:
        """Computed less stated."""
        return None if self.stated is None else self.computed - self.stated

    @property
    def relative(self) -> float | None:
        """The difference in percent of what is stated."""
        return None if self.stated is None else 100 * (self.computed / self.stated - 1)

    @property
    def disagrees(self) -> bool:
        """Whether the difference is more than twice the stated standard uncertainty."""
        return self.difference is not None and self.u is not None and abs(self.difference) > 2 * self.u


@dataclass(frozen=True, slots=True)
class Distribution:
    """A stored distribution and what it says."""

    row: SizeDistribution
    sizes: Sizes
    stated: list[Stated]

    @property
    def name(self) -> str:
        """What tells it apart on a plot."""
        who = "supplier" if self.row.source == LotProperty.Source.SUPPLIER else "our own"
        return f"{who}, {self.row.method}"

    @property
    def d43(self) -> float:
        return from_si(self.sizes.d43, unit=UNIT, of="length")

    @property
    def d32(self) -> float:
        return from_si(self.sizes.d32, unit=UNIT, of="length")

    @property
    def rows(self) -> list[tuple[float, float]]:
        """The table as it was entered."""
        shown = (from_si(size, unit=self.row.unit, of="length") for size in self.row.sizes)
        return list(zip(shown, self.row.amounts, strict=True))


def distributions_of(lot: Lot) -> list[Distribution]:
    """The size distributions of a lot that stand, newest first."""
    rows = lot.distributions.filter(replaced_by__isnull=True).select_related("by", "file").order_by("-id")
    stated = lot.properties.filter(replaced_by__isnull=True, quantity__in=("d10", "d50", "d90")).order_by("id")
    return [_described(row, list(stated)) for row in rows]


def coarsest_of(materials: Iterable[Any]) -> tuple[float, str] | None:
    """The coarsest top cut or D90 [m] among the lots of some materials, and where it stands."""
    among = [material.pk for material in materials]
    results = LotProperty.objects.filter(
        lot__material__in=among, quantity__in=("top_cut", "d90"), replaced_by__isnull=True
    ).select_related("lot")
    names = {"top_cut": "top cut", "d90": "D90"}
    found = [(row.value, f"{names[row.quantity]} of {row.lot.code}") for row in results]
    tables = SizeDistribution.objects.filter(lot__material__in=among, replaced_by__isnull=True).select_related("lot")
    for row in tables.order_by("-id")[:MOST_TABLES]:
        sizes = sizes_of(row.sizes, row.amounts, form=row.form, basis=row.basis)
        found.append((sizes.d90, f"D90 of {row.lot.code}"))
    return max(found, default=None)


def _described(row: SizeDistribution, stated: Iterable[LotProperty]) -> Distribution:
    sizes = sizes_of(row.sizes, row.amounts, form=row.form, basis=row.basis)
    # what was entered out of this very distribution would agree with itself
    other = {p.quantity: p for p in stated if p.source == row.source and not p.method.endswith("from the distribution")}
    return Distribution(
        row, sizes, [_stated(key, getattr(sizes, key), other.get(key)) for key in ("d10", "d50", "d90")]
    )


def _stated(key: str, computed: float, row: LotProperty | None) -> Stated:
    shown = from_si(computed, unit=UNIT, of="length")
    if row is None:
        return Stated(key.upper(), shown)
    u = None if row.u is None else spread_from_si(row.u, unit=UNIT, of="length")
    return Stated(key.upper(), shown, from_si(row.value, unit=UNIT, of="length"), u)


def plot_of_sizes(lot: Lot) -> dict[str, Any]:
    """The distributions of a lot as one plot."""
    named: dict[str, SizeDistribution] = {}
    for found in reversed(distributions_of(lot)):
        name = found.name if found.name not in named else f"{found.name} ({found.row.pk})"
        named[name] = found.row
    if not named:
        raise NotFound(f"{lot.code} has no size distribution.")
    return sizes_plot(named)
