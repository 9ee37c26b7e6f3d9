"""Papers one can defend: one plain structure, drawn as PDF/A by typst, or as a page that needs nothing beside it.

A paper is sections of words, facts, tables and drawings, with signatures at its end. The same paper gives the same
bytes: no clock, no fonts of the machine (typst brings its own), no random identifiers.
"""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

import segno
import typst
from django.conf import settings
from django.template.loader import render_to_string

from lims.core.display import pretty_unit, show_figure

TEMPLATE = Path(__file__).with_name("paper.typ")
STANDARD: Literal["a-2b"] = "a-2b"  # ISO 19005-2, level B: the paper looks the same for ever


@dataclass(frozen=True, slots=True)
class Words:
    """Sentences: `look` is plain, list, good, caution or quiet."""

    lines: tuple[str, ...]
    look: str = "plain"
    kind: str = "words"


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and what they are."""

    rows: tuple[tuple[str, str], ...]
    kind: str = "facts"


@dataclass(frozen=True, slots=True)
class Table:
    """A table; `numbers` are the columns that stand to the right, `widths` how wide each is beside the others."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    caption: str = ""
    widths: tuple[float, ...] = ()
    kind: str = "table"


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure as SVG, with what it shows in words."""

    svg: str
    words: str
    notes: tuple[str, ...] = ()
    kind: str = "drawing"


Part = Words | Facts | Table | Drawing


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands below it."""

    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Signed:
    """One signature: who, with what meaning, when, over which digest, and whether it still stands."""

    name: str
    meaning: str
    at: datetime
    zone: str
    digest: str
    stands: bool = True

    @property
    def utc(self) -> str:
        return self.at.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")

    @property
    def local(self) -> str:
        here = self.at.astimezone(ZoneInfo(self.zone or "UTC"))
        offset = here.strftime("%z")
        return f"{here:%Y-%m-%d %H:%M:%S} {offset[:3]}:{offset[3:5]} ({self.zone})"

    @property
    def said(self) -> dict[str, str]:
        """As a paper prints it."""
        broken = "" if self.stands else "CONTENT DIFFERS FROM WHAT WAS SIGNED"
        said = {"name": self.name, "meaning": self.meaning, "utc": self.utc, "local": self.local}
        return said | {"digest": self.digest, "broken": broken}


@dataclass(frozen=True, slots=True)
class Paper:
    """One paper. `mark` stands across every page (draft, withdrawn, superseded); `notices` below the title."""

    what: str  # comparison report, certificate of analysis
    title: str
    laboratory: str
    laboratory_address: str
    code: str  # number and issue; "" for a draft
    subject: str
    sections: tuple[Section, ...]
    lead: str = ""
    date: str = ""
    mark: str = ""
    notices: tuple[str, ...] = ()
    signatures: tuple[Signed, ...] = ()
    digest: str = ""
    address: str = ""  # where the record stands; what the QR symbol holds
    at: datetime | None = None

    @property
    def name(self) -> str:
        """What stands on every page."""
        return self.code or f"draft about {self.subject}"


def draw_paper(paper: Paper) -> bytes:
    """The paper as PDF/A-2b; the same paper gives the same bytes."""
    drawings: list[str] = []
    content = {
        **{name: getattr(paper, name) for name in _PLAIN},
        "sections": [
            {"title": one.title, "parts": [_part(part, drawings) for part in one.parts]} for one in paper.sections
        ],
        "signatures": [one.said for one in paper.signatures],
        "notices": list(paper.notices),
    }
    inputs = {
        "content": json.dumps(content, ensure_ascii=False),
        "drawings": json.dumps(drawings),
        "symbol": symbol(paper.address) if paper.address else "",
    }
    stamp = int(paper.at.timestamp()) if paper.at else 0
    drawn = typst.compile(
        TEMPLATE.read_bytes(),
        format="pdf",
        pdf_standards=STANDARD,
        ignore_system_fonts=True,
        sys_inputs=inputs,
        timestamp=stamp,
    )
    return bytes(drawn)


_PLAIN = (
    "what", "title", "laboratory", "laboratory_address", "code", "name", "subject", "lead", "date", "mark", "digest",
    "address",
)  # fmt: skip


def _part(part: Part, drawings: list[str]) -> dict[str, Any]:
    plain = asdict(part)
    if isinstance(part, Drawing):
        drawings.append(part.svg)
        return plain | {"svg": len(drawings) - 1}
    return plain


def symbol(address: str) -> str:
    """A QR symbol of an address as SVG, with its quiet zone of four modules (ISO/IEC 18004)."""
    out = io.BytesIO()
    segno.make(address, error="m", micro=False).save(out, kind="svg", border=4, xmldecl=False, dark="#000", scale=4)
    return out.getvalue().decode()


def page_of_paper(paper: Paper) -> bytes:
    """The paper as one HTML file that needs nothing beside it."""
    qr = symbol(paper.address) if paper.address else ""
    context = {"paper": paper, "qr": qr, "signatures": [one.said for one in paper.signatures]}
    return render_to_string("papers/paper.html", context).encode()


def check_address(root: str) -> str:
    """Where anybody may check a paper by its code, as a pattern; `root` is how the site was reached just now."""
    return f"{settings.PUBLIC_ADDRESS or root.rstrip('/')}/check/{{code}}/"


def figure_words(value: float | None, u: float | None, unit: str, *, expanded: float | None = None) -> str:
    """A figure as a paper prints it: value ± expanded uncertainty and unit."""
    if value is None:
        return "–"
    found = show_figure({"value": value, "u": u, "unit": unit, "U95": expanded})
    text = f"{found.value} ± {found.expanded}" if found.expanded else found.value
    return f"{text} {pretty_unit(unit)}".strip()


def listed(words: Sequence[str], *, none: str = "none") -> str:
    """Words in a row, or what stands for none."""
    return ", ".join(words) if words else none
