"""Codes that people read and type: `LOT-0042`. A sequence of the database gives each number once, for ever.

A printed code may carry a check character (ISO/IEC 7064, MOD 37,36) so that one wrong or two swapped characters show.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from django.db import connection

from lims.core.errors import Invalid

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of record that carries a code: its prefix, what people call it, and the digits of its number."""

    prefix: str
    name: str
    digits: int = 4

    @property
    def sequence(self) -> str:
        return f"code_{self.name.replace(' ', '_')}"

    @property
    def article(self) -> str:
        return "an" if self.name[0] in "aeiou" else "a"


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("MAT", "material"),
        Kind("SUP", "supplier"),
        Kind("LOT", "lot"),
        Kind("PL", "place", 3),
        Kind("F", "formulation", 3),
        Kind("B", "batch"),
        Kind("S", "sample"),
        Kind("R", "run"),
        Kind("A", "application"),
        Kind("RIG", "rig", 2),
        Kind("BL", "block", 3),
        Kind("BAL", "balance", 2),
        Kind("MIX", "mixer", 2),
        Kind("EQ", "equipment", 2),
        Kind("M", "method", 3),
        Kind("SP", "specification", 3),
        Kind("NC", "nonconformance"),
        Kind("CH", "control chart", 3),
        Kind("RF", "rig figure", 3),
        Kind("C", "comparison"),
        Kind("CA", "certificate"),
        Kind("CR", "report"),
        Kind("Z", "zero"),
        Kind("RED", "reduction", 5),
        Kind("TP", "test plan", 3),
        Kind("ST", "study"),
    )
}
PREFIXES = {kind.prefix: kind for kind in KINDS.values()}
SHAPE = re.compile(r"^([A-Z]{1,3})-(\d{2,})(?:/(\d+))?(?:\s*([0-9A-Z]))?$")


def next_code(name: str) -> str:
    """The next free code of a kind; the number is never given twice, even when the transaction is undone."""
    kind = KINDS[name]
    with connection.cursor() as cursor:
        cursor.execute("SELECT nextval(%s)", [kind.sequence])
        number = cursor.fetchone()[0]
    return f"{kind.prefix}-{number:0{kind.digits}d}"


def check_character(text: str) -> str:
    """Check character of `text` by ISO/IEC 7064, MOD 37,36 (hybrid system); other characters are passed over."""
    product = 36
    for character in (c for c in text.upper() if c in ALPHABET):
        total = (product + ALPHABET.index(character)) % 36 or 36
        product = total * 2 % 37
    return ALPHABET[(37 - product) % 36]


def printed(code: str) -> str:
    """A code as it stands on a label: the code, a space and its check character."""
    return f"{code} {check_character(code)}"


def parse_code(text: str) -> tuple[Kind, str]:
    """The kind and the plain code in what was typed or scanned: a code, a printed code, or a record's address.

    Raises Invalid where it has no such shape, or where its check character does not match.
    """
    found = SHAPE.match(text.strip().rstrip("/").rsplit("/c/", 1)[-1].upper())
    if found is None or found[1] not in PREFIXES:
        raise Invalid(f"'{text}' is not a code; a code looks like LOT-0042.", code="not-a-code")
    code = f"{found[1]}-{found[2]}" + (f"/{found[3]}" if found[3] else "")
    if found[4] and found[4] != check_character(code):
        raise Invalid(f"'{text}': the check character does not match. Read the label again.", code="check-character")
    return PREFIXES[found[1]], code


def expect_kind(text: str, name: str) -> str:
    """The plain code in `text`, which must be one of kind `name`; else Invalid naming both kinds."""
    kind, code = parse_code(text)
    wanted = KINDS[name]
    if kind is not wanted:
        raise Invalid(
            f"{code} is {kind.article} {kind.name}; {wanted.article} {wanted.name} is expected here.", code="wrong-kind"
        )
    return code
