"""Labels: a QR symbol that holds only the record's stable address, and what a person must read beside it.

The symbol is of error correction level Q or better with a quiet zone of four modules (ISO/IEC 18004).
"""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

import segno
import typst

from lims.core.codes import printed
from lims.core.errors import Invalid

QUIET_ZONE = 4
TEMPLATE = Path(__file__).with_name("label.typ")
_SIZES = {"sheet": ("70mm", "37mm"), "printer": ("100mm", "50mm")}
SIZES = tuple(_SIZES)
"""`sheet`: 3 by 8 on A4; `printer`: a roll of 100 mm by 50 mm (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says. `address` is all that the symbol holds, so nothing on it can go stale."""

    address: str
    code: str
    title: str
    lines: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ()
    storage: str = ""
    pictograms: tuple[str, ...] = ()

    @property
    def text_id(self) -> str:
        """The code with its check character, as a person reads and types it."""
        return printed(self.code)


def symbol_svg(label: Label) -> str:
    """The QR symbol alone, as SVG."""
    out = io.BytesIO()
    symbol = segno.make(label.address, error="q", micro=False)
    symbol.save(out, kind="svg", border=QUIET_ZONE, xmldecl=False, dark="#000", light="#fff", scale=4)
    return out.getvalue().decode()


def draw(label: Label, *, kind: Literal["pdf", "png"] = "pdf", size: str = "sheet") -> bytes:
    """The label ready to print: PDF, or PNG at 300 dots per inch."""
    width, height = _SIZES.get(size, _SIZES["sheet"])
    content = {**asdict(label), "text_id": label.text_id, "width": width, "height": height}
    inputs = {"label": json.dumps(content, ensure_ascii=False), "symbol": symbol_svg(label)}
    drawn = typst.compile(TEMPLATE.read_bytes(), format=kind, ppi=300.0, sys_inputs=inputs)
    return bytes(drawn)


# Several labels at once

MANY = Path(__file__).with_name("labels.typ")
A4 = (210.0, 297.0)
MOST = 400
# how far a sheet's edge may be overrun before it counts: printers and rulers differ by that
SLACK = 0.5


@dataclass(frozen=True, slots=True)
class Layout:
    """How labels lie on a page, in mm: their size, how many across and down, the margins, and the pitch."""

    width: float
    height: float
    columns: int = 1
    rows: int = 1
    page_width: float | None = None
    page_height: float | None = None
    margin_left: float = 0.0
    margin_top: float = 0.0
    pitch_across: float | None = None
    pitch_down: float | None = None

    @property
    def page(self) -> tuple[float, float]:
        """The size of a page: as given, or one label a page."""
        return self.page_width or self.width, self.page_height or self.height

    @property
    def each(self) -> int:
        """How many labels a page holds."""
        return self.columns * self.rows

    def place(self, number: int) -> tuple[int, float, float]:
        """Page, left and top edge of a label; `number` counts from 0, along the rows."""
        page, place = divmod(number, self.each)
        row, column = divmod(place, self.columns)
        left = self.margin_left + column * (self.pitch_across or self.width)
        return page, left, self.margin_top + row * (self.pitch_down or self.height)


SHEET = Layout(70, 37, columns=3, rows=8, page_width=A4[0], page_height=A4[1], margin_top=0.5)
PRINTER = Layout(100, 50)
USUAL = {"sheet": SHEET, "printer": PRINTER}


def misfits(layout: Layout) -> dict[str, list[str]]:
    """What does not fit in a layout, by field; empty where all labels lie on the page and none on another."""
    found: dict[str, list[str]] = {}
    width, height = layout.page
    right = layout.margin_left + (layout.columns - 1) * (layout.pitch_across or layout.width) + layout.width
    bottom = layout.margin_top + (layout.rows - 1) * (layout.pitch_down or layout.height) + layout.height
    if right > width + SLACK:
        found["columns"] = [f"The labels end {right:g} mm from the left edge; the page is {width:g} mm wide."]
    if bottom > height + SLACK:
        found["rows"] = [f"The labels end {bottom:g} mm from the top edge; the page is {height:g} mm high."]
    if layout.columns > 1 and layout.pitch_across and layout.pitch_across < layout.width:
        found["pitch_across"] = ["The labels would lie on one another: the pitch is less than their width."]
    if layout.rows > 1 and layout.pitch_down and layout.pitch_down < layout.height:
        found["pitch_down"] = ["The labels would lie on one another: the pitch is less than their height."]
    return found


def draw_many(labels: Sequence[Label], *, layout: Layout, start: int = 1, kind: Literal["pdf", "png"] = "pdf") -> bytes:
    """Labels ready to print, from position `start` of the first page on (counted from 1, along the rows)."""
    if not 1 <= len(labels) <= MOST:
        raise Invalid(
            f"From 1 to {MOST} labels are printed at once.", fields={"codes": [f"{len(labels)} are asked for."]}
        )
    if not 1 <= start <= layout.each:
        words = f"A page holds {layout.each}; position {start} is not on it."
        raise Invalid(words, fields={"start": [f"1 to {layout.each}."]})
    if problems := misfits(layout):
        raise Invalid("The labels do not fit on the page.", fields=problems)
    rows = []
    for number, label in enumerate(labels, start=start - 1):
        page, left, top = layout.place(number)
        rows.append({**asdict(label), "text_id": label.text_id, "page": page, "left": left, "top": top})
    content = {"labels": rows, "pages": rows[-1]["page"] + 1, "page": layout.page}
    content |= {"width": layout.width, "height": layout.height}
    symbols = json.dumps([symbol_svg(label) for label in labels])
    inputs = {"content": json.dumps(content, ensure_ascii=False), "symbols": symbols}
    return bytes(typst.compile(MANY.read_bytes(), format=kind, ppi=300.0, sys_inputs=inputs))
