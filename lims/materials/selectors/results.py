"""Read what was measured of lots: the supplier's values beside our own, over lots, and for export."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from lims.core.quantities import from_si, si_unit, spread_from_si
from lims.materials.kinds import KINDS, PROPERTIES, property_of
from lims.materials.models import Lot, LotProperty, Material


@dataclass(frozen=True, slots=True)
class Result:
    """One value of a lot in the unit it is shown in."""

    row: LotProperty
    value: float
    u: float | None
    unit: str

    @property
    def dof(self) -> float | None:
        return self.row.dof


@dataclass(frozen=True, slots=True)
class Compared:
    """The supplier's value and our own of one property, with their difference and En where both have uncertainty."""

    key: str
    label: str
    unit: str
    supplier: list[Result]
    own: list[Result]

    @property
    def difference(self) -> float | None:
        """Own less supplier's, of the newest of each."""
        return self.own[0].value - self.supplier[0].value if self.own and self.supplier else None

    @property
    def en(self) -> float | None:
        """En number with k = 2 for both (ISO 13528, 9.6): |En| up to 1 agrees within the stated uncertainties."""
        difference = self.difference
        if difference is None or self.own[0].u is None or self.supplier[0].u is None:
            return None
        spread = 2 * math.hypot(self.own[0].u, self.supplier[0].u)
        return difference / spread if spread else None


def results_of(lot: Lot) -> list[Compared]:
    """What was measured of a lot, property by property; corrected values are left out, their corrections stand."""
    rows = lot.properties.filter(replaced_by__isnull=True).select_related("entered_by", "replaces")
    by_key: dict[str, list[LotProperty]] = {}
    for row in rows.order_by("-id"):
        by_key.setdefault(row.quantity, []).append(row)
    usual = KINDS[lot.material.kind].properties if lot.material.kind in KINDS else ()
    return [_compared(key, by_key.get(key, [])) for key in dict.fromkeys((*usual, *by_key))]


def _compared(key: str, rows: Iterable[LotProperty]) -> Compared:
    known = property_of(key)
    results = [shown_result(row) for row in rows]
    supplier = [r for r in results if r.row.source == LotProperty.Source.SUPPLIER]
    own = [r for r in results if r.row.source == LotProperty.Source.OWN]
    return Compared(key, known.label, known.shown, supplier, own)


def shown_result(row: LotProperty) -> Result:
    """A stored value in the unit its property is shown in."""
    known = property_of(row.quantity)
    spread = None if row.u is None else spread_from_si(row.u, unit=known.shown, of=known.dimension)
    return Result(row, from_si(row.value, unit=known.shown, of=known.dimension), spread, known.shown)


def si_unit_of(row: LotProperty) -> str:
    """The SI unit a stored value is in."""
    return si_unit(property_of(row.quantity).dimension)


def property_over_lots(material: Material, key: str) -> list[Result]:
    """One property of a material, our own values, lot by lot, oldest first."""
    rows = LotProperty.objects.filter(lot__material=material, quantity=key, replaced_by__isnull=True)
    own = rows.filter(source=LotProperty.Source.OWN)
    return [shown_result(row) for row in own.select_related("lot").order_by("lot_id", "id")]


# Results of many lots as a table of text ------------------------------------------------------------------------------

FACTS = ("lot", "material", "supplier's lot number", "state", "received on", "use until", "on hand [kg]")
SOURCES = (LotProperty.Source.OWN, LotProperty.Source.SUPPLIER)
CHUNK = 500


def results_header() -> list[str]:
    """The columns of the table: facts of the lot, then own value, its u, and the supplier's value of each property."""
    columns = [
        f"{known.key} {what} [{known.shown}]" for known in PROPERTIES.values() for what in ("own", "own u", "supplier")
    ]
    return [*FACTS, *columns]


def results_lines(lots: QuerySet[Any]) -> Iterator[str]:
    """The newest results of each lot as lines of CSV, a few hundred lots a query."""
    yield _line(results_header())
    chunk: list[Any] = []
    for lot in lots.iterator(chunk_size=CHUNK):
        chunk.append(lot)
        if len(chunk) == CHUNK:
            yield from _lines(chunk)
            chunk = []
    yield from _lines(chunk)


def _lines(lots: Sequence[Any]) -> Iterator[str]:
    rows = LotProperty.objects.filter(lot__in=[lot.pk for lot in lots], replaced_by__isnull=True).order_by("id")
    newest = {(row.lot_id, row.quantity, row.source): row for row in rows}
    for lot in lots:
        cells = [cell for key in PROPERTIES for cell in _cells(newest, lot.pk, key)]
        yield _line([*_facts(lot), *cells])


def _facts(lot: Any) -> list[str]:
    days = [day.isoformat() if day else "" for day in (lot.received_on, lot.usable_until)]
    return [lot.code, lot.material.name, lot.supplier_lot, lot.state, *days, f"{lot.on_hand.normalize():f}"]


def _cells(newest: Any, lot: int, key: str) -> list[str]:
    own, supplier = (newest.get((lot, key, source)) for source in SOURCES)
    shown = [None if row is None else shown_result(row) for row in (own, supplier)]
    u = shown[0].u if shown[0] else None
    return [
        f"{shown[0].value:.10g}" if shown[0] else "",
        "" if u is None else f"{u:.6g}",
        f"{shown[1].value:.10g}" if shown[1] else "",
    ]


def _line(cells: Sequence[str]) -> str:
    out = io.StringIO()
    # a cell that begins like a formula is led in, so that no spreadsheet computes what a supplier wrote
    csv.writer(out, lineterminator="\n").writerow([f"'{c}" if c[:1] in ("=", "@", "+") else c for c in cells])
    return out.getvalue()
