"""Formats of labels: how they lie on a sheet, or how large one of a small printer is."""

from __future__ import annotations

from typing import TypedDict, Unpack

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.labels import misfits
from lims.core.machines import locked
from lims.samples.models import LabelFormat
from lims.samples.selectors import layout_of


class Sizes(TypedDict, total=False):
    """Sizes of a format in mm."""

    width: float
    height: float
    columns: int
    rows: int
    page_width: float | None
    page_height: float | None
    margin_left: float
    margin_top: float
    pitch_across: float | None
    pitch_down: float | None


@act("label.set_format")
def set_label_format(*, actor: User, name: str, medium: str, **sizes: Unpack[Sizes]) -> LabelFormat:
    """Keep a format of labels. One that would print beyond its page, or labels on one another, is refused."""
    row = LabelFormat(name=name.strip(), medium=medium)
    if medium == LabelFormat.Medium.SHEET and not (sizes.get("page_width") and sizes.get("page_height")):
        words = "The size of the sheet is expected."
        raise Invalid(words, fields={"page_width": [words], "page_height": [words]})
    for field, value in sizes.items():
        setattr(row, field, value)
    row.full_clean()
    if problems := misfits(layout_of(row)):
        raise Invalid("The labels do not fit on the page.", code="label-misfit", fields=problems)
    row.save()
    return row


@act("label.set_format")
def retire_label_format(row: LabelFormat, *, actor: User) -> LabelFormat:
    """Offer a format no more."""
    fresh = locked(row)
    if fresh.retired:
        raise Conflict(f"{fresh.name} is retired already.", code="retired")
    fresh.retired = True
    fresh.save()
    return fresh
