"""Labels: a QR symbol that holds only the record's stable address, and what a person must read beside it.

The symbol is of error correction level Q or better with a quiet zone of four modules (ISO/IEC 18004).
"""

from __future__ import annotations

import io
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

import segno
import typst

from lims.core.codes import printed

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
