"""Lines of a formulation out of a spreadsheet: pasted text, CSV or a workbook; every bad row is named, none is lost."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.errors import UnreadableFile, Where

MOST_LINES = 200
_MOST_BYTES = 2_000_000
_NUMBER = re.compile(r"\+?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_HEADS: Mapping[str, frozenset[str]] = {
    "material": frozenset({"material", "code", "material code", "name", "ingredient", "component"}),
    "amount": frozenset({"amount", "share", "fraction", "percent", "%", "quantity", "by mass [%]", "mass [%]"}),
    "basis": frozenset({"basis", "typed as", "unit"}),
}
_BASES: Mapping[str, str] = {
    **dict.fromkeys(("", "mass", "by mass", "% by mass", "mass %", "mass%", "wt%", "wt %", "w%", "%"), "mass"),
    **dict.fromkeys(("parts", "part", "pph", "phr", "parts per 100 fluid", "parts per hundred of fluid"), "parts"),
    **dict.fromkeys(("volume", "by volume", "% by volume", "volume %", "vol%", "vol %", "vol.%"), "volume"),
    **dict.fromkeys(("rest", "the rest", "balance", "remainder", "q.s."), "rest"),
}
EXPECTED_BASIS = "mass, parts, volume or rest"


@dataclass(frozen=True, slots=True)
class ReadLine:
    """One row as read: `row` counted from 1 as the spreadsheet does, `basis` one of `composing.BASES`."""

    row: int
    material: str
    amount: str
    basis: str


@dataclass(frozen=True, slots=True)
class ReadLines:
    """The lines that are right, and a sentence for each row that is not."""

    lines: tuple[ReadLine, ...]
    problems: tuple[str, ...] = ()


def read_lines(text: str) -> ReadLines:
    """Lines out of text: material, amount, and where given the basis, parted by tabs, semicolons or commas.

    Where tabs or semicolons part the columns, a comma in a number is its decimal sign. A head is known by its words;
    with a head the columns may stand in any order. `Rest` may stand in place of the amount. Nothing is dropped: a row
    that is not right gives a sentence naming the row, what was found and what is expected.
    """
    plain = text.lstrip("\ufeff")
    first = next((line for line in plain.splitlines() if line.strip()), "")
    mark = "\t" if "\t" in first else ";" if ";" in first else ","
    rows = list(csv.reader(plain.splitlines(), delimiter=mark))
    return _lines([(number, [cell.strip() for cell in row]) for number, row in enumerate(rows, start=1)], mark)


def table_text(path: Path, *, file: str) -> str:
    """A file's table as text to paste: a workbook's first filled sheet with tabs between its cells, else the text.

    Raises UnreadableFile, naming the file, for what is neither.
    """
    with path.open("rb") as stream:
        head = stream.read(4)
    if head.startswith(b"PK\x03\x04"):
        return _workbook_text(path, file)
    if path.stat().st_size > _MOST_BYTES:
        raise UnreadableFile(f"more than {_MOST_BYTES // 1_000_000} MB; a few lines are expected", where=Where(file))
    data = path.read_bytes()
    if b"\x00" in data:
        raise UnreadableFile("this is neither text (CSV) nor a workbook (XLSX)", where=Where(file))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _workbook_text(path: Path, file: str) -> str:
    import python_calamine as calamine  # slow to load, and only workbooks need it

    try:
        with calamine.CalamineWorkbook.from_path(str(path)) as workbook:
            for name in workbook.sheet_names:
                rows = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
                if any(cell != "" for row in rows for cell in row):
                    return "\n".join("\t".join(_cell(cell) for cell in row) for row in rows)
    except (calamine.CalamineError, OSError, ValueError) as error:
        raise UnreadableFile(f"the workbook cannot be read: {str(error)[:200]}", where=Where(file)) from error
    raise UnreadableFile("no sheet of the workbook holds anything", where=Where(file))


def _cell(cell: Any) -> str:
    # 15 digits are what a spreadsheet keeps; more would show its rounding
    return f"{cell:.15g}" if isinstance(cell, float) else re.sub(r"[\t\r\n]+", " ", str(cell)).strip()


def _lines(rows: Sequence[tuple[int, list[str]]], mark: str) -> ReadLines:
    filled = [(number, row) for number, row in rows if any(row) and not row[0].startswith("#")]
    if not filled:
        return ReadLines((), ("no rows found; expected material and amount in each",))
    places = _head(filled[0][1])
    body = filled[1:] if places else filled
    columns = places or {"material": 0, "amount": 1, "basis": 2}
    lacking = [name for name in ("material", "amount") if name not in columns]
    if lacking:
        return ReadLines((), (f"row {filled[0][0]}: the head has no column '{lacking[0]}'",))
    if len(body) > MOST_LINES:
        return ReadLines((), (f"{len(body)} rows found; at most {MOST_LINES} are expected",))
    return _sorted_out(body, columns, mark, most=0 if places else len(columns))


def _head(row: Iterable[str]) -> dict[str, int]:
    """The place of each column where the row is a head, else nothing."""
    found: dict[str, int] = {}
    for place, cell in enumerate(row):
        name = next((name for name, words in _HEADS.items() if cell.lower() in words), None)
        if name:
            found.setdefault(name, place)
    return found if {"material", "amount"} & found.keys() else {}


def _sorted_out(
    rows: Sequence[tuple[int, list[str]]], columns: Mapping[str, int], mark: str, *, most: int
) -> ReadLines:
    lines, problems = [], []
    for number, row in rows:
        cells = {name: row[place] if place < len(row) else "" for name, place in columns.items()}
        line, why = _one(number, cells, decimal_comma=mark != ",")
        if most and len([cell for cell in row[most:] if cell]):
            why = f"row {number}: {len(row)} columns found, at most {most} are expected: material, amount, basis"
        problems.append(why) if why else lines.append(line)
    return ReadLines(tuple(lines), tuple(problems))


def _one(number: int, cells: Mapping[str, str], *, decimal_comma: bool) -> tuple[ReadLine, str]:
    amount = cells["amount"].removesuffix("%").strip()
    basis = _BASES.get(cells.get("basis", "").lower(), "")
    if _BASES.get(amount.lower()) == "rest":
        amount, basis = "", "rest"
    if decimal_comma:
        amount = amount.replace(",", ".")
    line = ReadLine(number, cells["material"], "" if basis == "rest" else amount, basis)
    if not line.material:
        return line, f"row {number}: no material found; expected the code or name of one"
    if not basis:
        return line, f"row {number}: basis '{cells['basis'][:40]}' found, expected {EXPECTED_BASIS}"
    if basis != "rest" and not _NUMBER.fullmatch(amount):
        return line, f"row {number}: amount '{cells['amount'][:40]}' found, expected a number of zero or above"
    return line, ""
