"""Keep a whole size distribution of a lot, typed, pasted or from a file, with what it says of the size."""

from __future__ import annotations

from typing import TypedDict, Unpack

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.core.quantities import to_si
from lims.files.models import StoredFile
from lims.files.selectors import open_file
from lims.materials.bridge import Rows, Sizes, read_text, read_upload, sizes_of
from lims.materials.models import Lot, LotProperty, SizeDistribution
from lims.materials.services.parts import need_a_reason, written
from lims.materials.services.properties import CLOSED, add_lot_property

KEYS = ("d10", "d50", "d90")


class SizesDetails(TypedDict, total=False):
    """The table as text, or the file it stands in; how it is meant; whether its sizes become results of the lot."""

    table: str
    file: StoredFile | None
    unit: str
    form: str
    basis: str
    source: str
    remarks: str
    as_results: bool
    replaces: SizeDistribution | None
    reason: str


@act("lot.add_sizes")
def add_size_distribution(lot: Lot, *, actor: User, method: str, **details: Unpack[SizesDetails]) -> SizeDistribution:
    """Keep a size distribution of a lot. A unit in the table's head counts; one that is told must agree with it."""
    if not method.strip():
        raise Invalid("Say how it was measured.", fields={"method": ["Instrument, dispersion, optical model."]})
    pairs, file = _pairs(details), details.get("file")
    unit = _unit(details.get("unit", ""), pairs.unit)
    sizes = [to_si(size, unit=unit, of="length", field="unit") for size in pairs.sizes]
    form, basis = details.get("form", "below"), details.get("basis", "volume")
    found = sizes_of(sizes, pairs.amounts, form=form, basis=basis)
    row = SizeDistribution(
        lot=_open_lot(lot),
        source=details.get("source", LotProperty.Source.OWN),
        form=form,
        basis=basis,
        sizes=sizes,
        amounts=list(pairs.amounts),
        unit=unit,
        method=method.strip(),
        remarks=details.get("remarks", "").strip(),
        file=file,
        replaces=_replaced(lot, details),
        by=actor,
    )
    written(row, sizes=f"{len(sizes)} rows, {row.get_form_display()}, {row.get_basis_display()}", method=row.method)
    if details.get("as_results"):
        _as_results(row, found, actor=actor)
    return row


def _pairs(details: SizesDetails) -> Rows:
    file = details.get("file")
    if file is None:
        return read_text(details.get("table", ""))
    with open_file(file) as content:
        return read_upload(content, file.name)


def _unit(told: str, in_head: str) -> str:
    if told and in_head and told.replace("µ", "u") != in_head:
        message = f"The table's head says {in_head}, the form says {told}."
        raise Invalid(message, code="bad-unit", fields={"unit": [message]})
    return told or in_head or "um"


def _open_lot(lot: Lot) -> Lot:
    fresh = locked(lot)
    if fresh.state in CLOSED:
        raise Conflict(f"{lot.code} is {state_words(fresh)}; nothing can be added.", code="lot-closed")
    return fresh


def _replaced(lot: Lot, details: SizesDetails) -> SizeDistribution | None:
    replaced = details.get("replaces")
    if replaced is None:
        return None
    need_a_reason(details.get("reason", ""), why="A correction needs a reason.")
    if replaced.lot_id != lot.pk or hasattr(replaced, "replaced_by"):
        raise Conflict("This distribution is of another lot, or was corrected already.", code="corrected-already")
    return replaced


def _as_results(row: SizeDistribution, found: Sizes, *, actor: User) -> None:
    """The three sizes as results of the lot, so that limits are judged by them."""
    for key in KEYS:
        add_lot_property(
            row.lot, actor=actor, quantity=key, value=getattr(found, key), unit="m", source=row.source,
            method=f"{row.method}, from the distribution"[:120],
        )  # fmt: skip
