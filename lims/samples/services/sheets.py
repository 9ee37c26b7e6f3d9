"""Cut sheets of several thicknesses: one act registers them all, as one series that a study can pick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Unpack

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Invalid
from lims.formulations.models import Batch
from lims.materials.models import Lot
from lims.samples.models import Sample
from lims.samples.services.registering import SampleFacts, register_sample

MOST = 60


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: its mass [kg], nominal and measured thickness [m] and the standard uncertainty of that [m]."""

    amount: Decimal
    nominal: float
    measured: float | None = None
    u: float | None = None


@act("sample.register")
def register_sheets(
    sheets: Sequence[Sheet],
    *,
    actor: User,
    taken_at: datetime | None,
    source: Batch | Lot | None = None,
    **facts: Unpack[SampleFacts],
) -> Sample:
    """Register sheets cut from one batch, lot or bought piece, each a sample; all bear the first one's code as series.

    Returns the first. Either all are registered or none.
    """
    _check(sheets)
    name = facts.pop("name", "").strip()
    made: list[Sample] = []
    for number, sheet in enumerate(sheets, start=1):
        said: SampleFacts = {**facts, "name": f"{name}, sheet {number}" if name else ""}
        made.append(register_sample(actor=actor, taken_at=taken_at, amount=sheet.amount, source=source, **said))
    for sample, sheet in zip(made, sheets, strict=True):
        sample.series = made[0].code
        sample.nominal_thickness, sample.thickness, sample.thickness_u = sheet.nominal, sheet.measured, sheet.u
        sample.save()
    return made[0]


def _check(sheets: Sequence[Sheet]) -> None:
    if not 1 <= len(sheets) <= MOST:
        raise Invalid(f"From 1 to {MOST} sheets are expected.", fields={"sheets": [f"1 to {MOST} rows."]})
    for number, sheet in enumerate(sheets, start=1):
        problem = _odd(sheet)
        if problem:
            raise Invalid(f"Row {number}: {problem}", code="sheet-odd", fields={"sheets": [f"Row {number}: {problem}"]})


def _odd(sheet: Sheet) -> str:
    if not sheet.amount > 0:
        return "the mass is expected, above zero."
    if not sheet.nominal > 0:
        return "the nominal thickness is expected, above zero."
    if sheet.measured is None and sheet.u is not None:
        return "an uncertainty stands without a measured thickness."
    if sheet.measured is not None and not (sheet.measured > 0 and sheet.u is not None and sheet.u > 0):
        return "a measured thickness needs its standard uncertainty, both above zero."
    return ""
