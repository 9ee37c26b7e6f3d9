"""Two columns, size and amount, out of what was typed or pasted, a text file, or a workbook; every bad row is named."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.errors import UnreadableFile, Where
from analysis.materials.distribution import MOST_ROWS

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_UNIT = re.compile(r"[\[(]\s*(nm|µm|um|μm|mm)\s*[\])]")
_MOST_BYTES = 2_000_000
MOST_PROBLEMS = 8


@dataclass(frozen=True, slots=True)
class Pairs:
    """The rows as read: `sizes` in `unit` ("" where the head names none), `amounts`, and the line each came from."""

    sizes: tuple[float, ...]
    amounts: tuple[float, ...]
    lines: tuple[int, ...]
    unit: str = ""


def read_pairs(text: str, *, file: str = "") -> Pairs:
    """Pairs out of text: a tab, semicolon, blank or comma between the two; a comma in a number where it is not between.

    Lines before the first that begins with a number are the head. Raises UnreadableFile naming each bad line.
    """
    lines = [(number, line.strip()) for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1)]
    filled = [(number, line) for number, line in lines if line and not line.startswith("#")]
    split = _splitter([line for _, line in filled])
    return _pairs([(number, split(line)) for number, line in filled], file=file)


def _splitter(lines: Sequence[str]) -> Any:
    """How the two columns are parted: by the strictest mark that stands in most lines."""
    for mark in ("\t", ";"):
        if sum(mark in line for line in lines) * 2 > len(lines):
            return lambda line: [cell.strip().replace(",", ".") for cell in line.split(mark)]
    if sum(len(line.split()) > 1 for line in lines) * 2 > len(lines):
        return lambda line: [cell.rstrip(",").replace(",", ".") for cell in line.split()]
    return lambda line: [cell.strip() for cell in line.split(",")]


def read_size_file(path: Path, *, file: str) -> Pairs:
    """Pairs out of a file: a workbook's first filled sheet, else text."""
    with path.open("rb") as stream:
        head = stream.read(4)
    if head.startswith(b"PK\x03\x04"):
        return _pairs(_workbook_rows(path, file), file=file)
    if path.stat().st_size > _MOST_BYTES:
        raise UnreadableFile("the file is too large for a size distribution", where=Where(file))
    data = path.read_bytes()
    if b"\x00" in data:
        raise UnreadableFile("this is neither text nor a workbook (XLSX)", where=Where(file))
    try:
        return read_pairs(data.decode("utf-8-sig"), file=file)
    except UnicodeDecodeError:
        return read_pairs(data.decode("cp1252", errors="replace"), file=file)


def _workbook_rows(path: Path, file: str) -> list[tuple[int, list[str]]]:
    import python_calamine as calamine  # slow to load, and only workbooks need it

    try:
        with calamine.CalamineWorkbook.from_path(str(path)) as workbook:
            for name in workbook.sheet_names:
                rows = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
                cells = [(number, _filled(row)) for number, row in enumerate(rows, start=1)]
                if any(len(row) > 1 for _, row in cells):
                    return [(number, row) for number, row in cells if row]
    except (calamine.CalamineError, OSError, ValueError) as error:
        raise UnreadableFile(f"the workbook cannot be read: {str(error)[:200]}", where=Where(file)) from error
    raise UnreadableFile("no sheet of the workbook has two columns", where=Where(file))


def _filled(row: Iterable[Any]) -> list[str]:
    cells = [repr(cell) if isinstance(cell, float) else str(cell).strip() for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    while cells and not cells[0]:
        cells.pop(0)
    return cells


def _pairs(rows: Sequence[tuple[int, list[str]]], *, file: str) -> Pairs:
    start = next((place for place, (_, row) in enumerate(rows) if row and _NUMBER.fullmatch(row[0])), None)
    if start is None:
        raise UnreadableFile("no row begins with a number: size and amount are expected in each", where=Where(file))
    if len(rows) - start > MOST_ROWS:
        raise UnreadableFile(f"more than {MOST_ROWS} rows", where=Where(file))
    problems = [(number, why) for number, row in rows[start:] if (why := _why_not(row))]
    if problems:
        words = "; ".join(f"row {number}: {why}" for number, why in problems[:MOST_PROBLEMS])
        more = f"; and {len(problems) - MOST_PROBLEMS} more" if len(problems) > MOST_PROBLEMS else ""
        raise UnreadableFile(words + more, where=Where(file))
    found = [(float(row[0]), float(row[1]), number) for number, row in rows[start:]]
    sizes, amounts, lines = zip(*found, strict=True)
    return Pairs(sizes, amounts, lines, _unit_in([row for _, row in rows[:start]]))


def _why_not(row: Sequence[str]) -> str:
    if len(row) != 2:
        return f"{len(row)} column{'s' if len(row) != 1 else ''}; two are expected, size and amount"
    bad = next((cell for cell in row if not _NUMBER.fullmatch(cell)), None)
    return "" if bad is None else f"'{bad[:40]}' is not a number"


def _unit_in(head: Iterable[Sequence[str]]) -> str:
    """The unit of the sizes, where the head names one: size [um]."""
    for row in head:
        found = _UNIT.search(" ".join(row))
        if found:
            return found[1].replace("µ", "u").replace("μ", "u")
    return ""
