"""A piece of a text table read cell by cell: slower, but every mistake is named by its line and column."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence

import numpy as np

from analysis import tables, times
from analysis.errors import UnreadableFile, Where
from analysis.readers.csv.pieces import Piece, count_lines
from analysis.readers.csv.plan import OtherDecimal, Part, Plan
from analysis.tables import MISSING_TEXTS


def read_carefully(plan: Plan, piece: Piece) -> Part:
    """A piece read cell by cell; UnreadableFile names the first cell that is wrong."""
    text = _decoded(plan, piece.data)
    line = plan.layout.line + count_lines(plan.path, plan.layout.start, piece.offset)
    part = Part()
    numbers: list[list[float]] = [[] for _ in plan.places]
    seconds: list[float] = []
    instants: list[int] = []
    for number, cells in _rows(plan, text, line=line, last=piece.last, part=part):
        if plan.stamps:
            instants.append(_instant(plan, cells[plan.time_place], line=number))
        else:
            seconds.append(_second(plan, cells[plan.time_place], line=number))
        for values, place in zip(numbers, plan.places, strict=True):
            values.append(_number(plan, cells[place], line=number, place=place))
    part.rows = len(seconds) + len(instants)
    part.numbers = {
        place: [np.array(values, dtype=plan.kind)] for place, values in zip(plan.places, numbers, strict=True)
    }
    part.seconds = [] if plan.stamps else [np.array(seconds, dtype=np.float64)]
    part.instants = [np.array(instants, dtype=np.int64)] if plan.stamps else []
    return part


def line_of(plan: Plan, row: int) -> int | None:
    """The line of a row, found by reading the file's cells once more."""
    text = _decoded(plan, plan.path.read_bytes()[plan.layout.start :])
    for place, (line, _) in enumerate(_rows(plan, text, line=plan.layout.line, last=True, part=Part())):
        if place == row:
            return line
    return None


def _decoded(plan: Plan, data: bytes) -> str:
    return data.decode("cp1252" if plan.layout.encoding == "cp1252" else "utf-8", errors="replace")


def _rows(plan: Plan, text: str, *, line: int, last: bool, part: Part) -> Iterator[tuple[int, list[str]]]:
    """The rows that hold anything, each with the number of its line; a last line cut short is counted in `part`."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=plan.layout.separator, strict=True)
    count = len(plan.layout.headings)
    unfinished = last and not text.endswith("\n")
    end = line + text.count("\n")
    while True:
        number = line + reader.line_num
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return
        except csv.Error as error:
            where = Where(plan.layout.file, number)
            raise UnreadableFile(f"the line cannot be split into cells: {error}", where=where) from error
        if not any(cells):
            continue
        if len(cells) < count and unfinished and number >= end:
            part.incomplete = 1
            return
        if len(cells) < count or any(cells[count:]):
            raise _wrong_width(plan, cells, line=number)
        yield number, cells


def _wrong_width(plan: Plan, cells: Sequence[str], *, line: int) -> UnreadableFile:
    layout = plan.layout
    count = len(layout.headings)
    hint = ""
    if layout.separator == "," and len(cells) >= 2 * count - 1 and len(cells) > count:
        hint = "; are the decimals commas too? Then use semicolons between the cells"
    where = Where(layout.file, line, layout.headings[min(len(cells), count - 1)].name)
    return UnreadableFile(f"expected {count} cells as in the header, found {len(cells)}{hint}", where=where)


def _where(plan: Plan, line: int, place: int) -> Where:
    return Where(plan.layout.file, line, plan.layout.headings[place].name)


def _number(plan: Plan, cell: str, *, line: int, place: int) -> float:
    if cell in MISSING_TEXTS:
        return math.nan
    pointed = cell.replace(",", ".")
    value = tables.parse_number(pointed if plan.decimal == "," and "." not in cell else cell)
    if value is not None and math.isfinite(value) and not (plan.decimal == "," and "." in cell):
        return value
    if not plan.decimal_sure and tables.parse_number(pointed) is not None:
        raise OtherDecimal
    raise tables.text_in_number_column(cell, where=_where(plan, line, place))


def _second(plan: Plan, cell: str, *, line: int) -> float:
    if times.looks_like_stamp(cell):
        raise tables.bad_time(cell, where=_where(plan, line, plan.time_place))
    return _number(plan, cell, line=line, place=plan.time_place)


def _instant(plan: Plan, cell: str, *, line: int) -> int:
    if cell in MISSING_TEXTS:
        return times.MISSING
    where = _where(plan, line, plan.time_place)
    instant = times.parse_stamp(cell)
    if instant is None:
        raise tables.bad_time(cell, where=where)
    if times.has_offset(cell) is not plan.aware:
        raise UnreadableFile("some stamps carry an offset and some do not", where=where)
    return instant
