"""Read a supplier's symbol: element strings of GS1 as a scanner gives them.

Application identifiers and lengths follow the table at gs1.org/standards/barcodes/application-identifiers; the day 00,
the century and the check digit follow the GS1 General Specifications, 3.4, 7.12 and 7.9. Only what a receipt needs is
taken; an identifier that is not known here is named, never guessed.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from lims.core.errors import Invalid

SEPARATOR = "\x1d"
# None of these stands in the characters that element strings may hold, so scanners are set to send one of them where
# a keyboard cannot type the separator.
STAND_INS = ("{GS}", "<GS>", "␝", "\\x1d", "\\F", "|", "~", "^")
SYMBOLOGY = re.compile(r"^\][A-Za-z]\d")
BRACKETED = re.compile(r"\((\d{2,4})\)")
DATES = {"11": "made_on", "17": "expires_on"}
OPEN_ENDED = {"10": 20, "21": 20}  # at most so many characters, then the separator or the end
OTHER_DATES = ("12", "13", "15", "16")  # due, packaging, best before, sell by: known, not asked for


@dataclass(frozen=True, slots=True)
class Symbol:
    """What a supplier's symbol says; None or "" where it says nothing."""

    gtin: str = ""
    lot: str = ""
    serial: str = ""
    made_on: date | None = None
    expires_on: date | None = None
    mass: Decimal | None = None  # net, kg


def read_symbol(text: str, *, today: date) -> Symbol:
    """The product code, lot, dates, serial and net mass in a scanned symbol; Invalid names what cannot be read."""
    found: dict[str, object] = {}
    for identifier, value in _elements(_plain(text)):
        name, content = _meaning(identifier, value, today)
        if not name:
            continue
        if name in found and found[name] != content:
            raise _wrong(f"({identifier}) stands there twice, with {found[name]} and {content}.")
        found[name] = content
    if not found:
        raise _wrong("The symbol holds nothing that a receipt asks for.")
    return Symbol(**found)  # type: ignore[arg-type]


def _plain(text: str) -> str:
    plain = SYMBOLOGY.sub("", text.strip(" \t\r\n"))
    for stand_in in STAND_INS:
        plain = plain.replace(stand_in, SEPARATOR)
    return plain


def _elements(text: str) -> Iterator[tuple[str, str]]:
    if not text:
        raise _wrong("Nothing was scanned.")
    if text.startswith("("):
        parts = BRACKETED.split(text)[1:]
        yield from zip(parts[::2], (value.rstrip(SEPARATOR) for value in parts[1::2]), strict=True)
        return
    place = 0
    while place < len(text):
        if text[place] == SEPARATOR:
            place += 1
            continue
        identifier, length = _identifier(text, place)
        start = place + len(identifier)
        end = start + length if length else _end_of_open(text, start)
        yield identifier, text[start:end]
        place = end


def _identifier(text: str, place: int) -> tuple[str, int]:
    """The application identifier at a place, and the length of its value; 0 for an open one."""
    two = text[place : place + 2]
    fixed = {"01": 14, "02": 14, "00": 18, "20": 2} | dict.fromkeys((*DATES, *OTHER_DATES), 6)
    if two in fixed:
        return two, fixed[two]
    if two in OPEN_ENDED:
        return two, 0
    if re.match(r"310\d", text[place : place + 4]):
        return text[place : place + 4], 6
    if two == "24" and text[place : place + 3] in ("240", "241"):
        return text[place : place + 3], 0
    raise _wrong(f"At character {place + 1}, '{text[place : place + 4]}' is no identifier that is read here.")


def _end_of_open(text: str, start: int) -> int:
    end = text.find(SEPARATOR, start)
    return len(text) if end < 0 else end


def _meaning(identifier: str, value: str, today: date) -> tuple[str, object]:
    if identifier == "01":
        return "gtin", check_gtin(value)
    if identifier in DATES:
        return DATES[identifier], _date(identifier, value, today)
    if identifier in OPEN_ENDED:
        return ("lot" if identifier == "10" else "serial"), _words(identifier, value)
    if identifier.startswith("310"):
        return "mass", _mass(identifier, value)
    return "", None


def _words(identifier: str, value: str) -> str:
    most = OPEN_ENDED[identifier]
    if not 0 < len(value) <= most:
        raise _wrong(
            f"({identifier}) has {len(value)} characters, 1 to {most} are expected: '{value[:40]}'.",
            "Has the scanner left the separator out? Set it to send the group separator, or {GS} in its place.",
        )
    return value


def _mass(identifier: str, value: str) -> Decimal:
    if not re.fullmatch(r"\d{6}", value):
        raise _wrong(f"({identifier}) is a net mass of six digits; found '{value}'.")
    return Decimal(value).scaleb(-int(identifier[3]))


def _date(identifier: str, value: str, today: date) -> date:
    """YYMMDD as a date; day 00 is the last day of the month; the century is the one that lies nearest."""
    if not re.fullmatch(r"\d{6}", value):
        raise _wrong(f"({identifier}) is a date of six digits, year, month, day; found '{value}'.")
    short, month, day = int(value[:2]), int(value[2:4]), int(value[4:])
    year = today.year - today.year % 100 + short
    # 51 to 99 years ahead is the century before, 50 to 99 years back the century after
    year += -100 if year - today.year >= 51 else 100 if year - today.year <= -50 else 0
    if not 1 <= month <= 12:
        raise _wrong(f"({identifier}) {value}: there is no month {month}.")
    last = calendar.monthrange(year, month)[1]
    if day > last:
        raise _wrong(f"({identifier}) {value}: month {month} of {year} has {last} days.")
    return date(year, month, day or last)


def check_digit(digits: str) -> int:
    """The check digit that follows `digits`: weights 3 and 1 from the right, up to the next ten."""
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(digits)))
    return -total % 10


def check_gtin(gtin: str) -> str:
    """A product code of fourteen digits whose check digit matches; Invalid otherwise."""
    if not re.fullmatch(r"\d{14}", gtin):
        raise _wrong(f"A product code has 14 digits; found '{gtin}'.")
    expected = check_digit(gtin[:-1])
    if int(gtin[-1]) != expected:
        raise _wrong(f"Product code {gtin}: the check digit is {gtin[-1]}, {expected} is expected. Scan again.")
    return gtin


def _wrong(message: str, hint: str = "Scan again, or type what stands on the container.") -> Invalid:
    return Invalid(message, code="bad-symbol", next_step=hint, fields={"symbol": [message]})
