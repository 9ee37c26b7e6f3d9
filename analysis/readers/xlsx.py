"""XLSX workbooks: the first sheet that has a header, read by calamine."""

from __future__ import annotations

import math
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from analysis import tables, times
from analysis.errors import UnreadableFile, Where
from analysis.tables import MISSING_TEXTS, Heading, Opened, RawTable, Wanted

MAX_UNPACKED = 1_500_000_000  # bytes of all members together
MAX_MEMBERS = 2_000
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The rows of the sheet below its header; `line` is the number of the first of them."""

    headings: tuple[Heading, ...]
    rows: Sequence[Sequence[Any]]
    line: int
    notes: dict[str, str]


class WorkbookReader:
    """XLSX workbooks: the first sheet that has a header."""

    suffixes: tuple[str, ...] = (".xlsx", ".xlsm")

    def matches(self, head: bytes) -> bool:
        return head.startswith(b"PK\x03\x04")

    def open(self, path: Path, *, file: str) -> Opened:
        sheet = _sheet(path, file)
        return Opened(file, sheet.headings, lambda wanted: _load(sheet, path, wanted=wanted, file=file))


def _load(sheet: _Sheet, path: Path, *, wanted: Wanted, file: str) -> RawTable:
    """The wanted columns of a sheet, in the file's order."""
    places = {heading.name: place for place, heading in enumerate(sheet.headings)}
    columns = {
        name: np.array(list(_numbers(sheet, places[name], file=file)), dtype=np.float64) for name in wanted.columns
    }
    cells = [row[places[wanted.time]] for row in sheet.rows]
    stamped = any(_is_stamp(cell) for cell in cells)
    instants = _instants(sheet, places[wanted.time], file=file) if stamped else None
    seconds = None if stamped else np.array(list(_numbers(sheet, places[wanted.time], file=file)), dtype=np.float64)
    return RawTable(
        headings=sheet.headings,
        columns=columns,
        sha256=tables.file_digest(path),
        seconds=seconds,
        instants=instants,
        aware=any(isinstance(cell, str) and times.has_offset(cell) for cell in cells),
        notes=sheet.notes,
        locate=lambda row: row + sheet.line,
    )


def _sheet(path: Path, file: str) -> _Sheet:
    """The first sheet with a header of two columns or more; a page with a title alone is no table."""
    import python_calamine as calamine

    _check_archive(path, file)
    title: _Sheet | None = None
    try:
        with calamine.CalamineWorkbook.from_path(str(path)) as workbook:
            for name in workbook.sheet_names:
                found = _described(workbook.get_sheet_by_name(name).to_python(skip_empty_area=False), file)
                if found is not None and len(found.headings) > 1:
                    return found
                title = title or found
    except (calamine.CalamineError, OSError, ValueError) as error:
        raise UnreadableFile(f"the workbook cannot be read: {str(error)[:200]}", where=Where(file)) from error
    if title is not None:
        return title
    raise UnreadableFile("no sheet of the workbook has a header with column names", where=Where(file))


def _described(rows: list[list[Any]], file: str) -> _Sheet | None:
    notes: dict[str, str] = {}
    for place, row in enumerate(rows):
        cells = [cell.strip() if isinstance(cell, str) else cell for cell in row]
        first = next((cell for cell in cells if cell != ""), None)
        if first is None:
            continue
        if isinstance(first, str) and first.startswith("#"):
            notes.update(_note(cells))
            continue
        return _below_header(rows, place, notes, file)
    return None


def _below_header(rows: list[list[Any]], place: int, notes: dict[str, str], file: str) -> _Sheet:
    line = place + 1
    texts = [cell if isinstance(cell, str) else str(cell) for cell in rows[place]]
    while texts and not texts[-1].strip():
        texts.pop()
    found = tables.checked_headings(texts, file=file, line=line)
    for number, row in enumerate(rows[line:], start=line + 1):
        if any(cell != "" for cell in row[len(found) :]):
            raise UnreadableFile("the row has a cell beyond the last column of the header", where=Where(file, number))
    return _Sheet(found, rows[line:], line + 1, notes)


def _note(cells: Sequence[Any]) -> dict[str, str]:
    """`# key: value` in one cell, or the value in the next."""
    filled = [str(cell) for cell in cells if cell != ""]
    key, mark, value = " ".join(filled).lstrip("# ").partition(":")
    return {key.strip(): value.strip()} if mark and key.strip() else {}


def _numbers(sheet: _Sheet, place: int, *, file: str) -> Iterator[float]:
    name = sheet.headings[place].name
    for line, row in enumerate(sheet.rows, start=sheet.line):
        cell = row[place]
        if isinstance(cell, (int, float)) and not isinstance(cell, bool):
            value: float | None = float(cell) if math.isfinite(cell) else None
        elif isinstance(cell, str):
            text = cell.strip()
            value = math.nan if text in MISSING_TEXTS else tables.parse_number(text)
        else:
            value = None
        if value is None:
            raise tables.text_in_number_column(str(cell), where=Where(file, line, name))
        yield value


def _is_stamp(cell: Any) -> bool:
    return isinstance(cell, date) or (isinstance(cell, str) and times.looks_like_stamp(cell))


def _instants(sheet: _Sheet, place: int, *, file: str) -> times.Instants:
    name = sheet.headings[place].name
    made: list[int] = []
    offsets: set[bool] = set()
    for line, row in enumerate(sheet.rows, start=sheet.line):
        cell = row[place]
        if isinstance(cell, str) and cell.strip() in MISSING_TEXTS:
            made.append(int(times.MISSING))
            continue
        instant = _instant(cell)
        if instant is None:
            raise tables.bad_time(str(cell), where=Where(file, line, name))
        offsets.add(isinstance(cell, str) and times.has_offset(cell))
        if len(offsets) > 1:
            raise UnreadableFile("some stamps carry an offset and some do not", where=Where(file, line, name))
        made.append(instant)
    return np.array(made, dtype=np.int64)


def _instant(cell: Any) -> int | None:
    if isinstance(cell, datetime):
        return times.microseconds(cell)
    if isinstance(cell, date):
        return times.microseconds(datetime(cell.year, cell.month, cell.day))  # noqa: DTZ001 - a clock time of the rig
    return times.parse_stamp(cell) if isinstance(cell, str) else None


def _check_archive(path: Path, file: str) -> None:
    """UnreadableFile for an archive that is no workbook, or that unpacks to more than can be held."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            if not any(member.filename.startswith("xl/workbook") for member in members):
                raise UnreadableFile("the file is a ZIP archive, not a workbook; unpack it first", where=Where(file))
            if len(members) > MAX_MEMBERS:
                raise UnreadableFile(
                    f"the workbook has {len(members)} parts, more than {MAX_MEMBERS}", where=Where(file)
                )
            left = MAX_UNPACKED
            for member in members:
                left -= _unpacked_size(path, member, limit=left, file=file)
    except (zipfile.BadZipFile, zlib.error, OSError, NotImplementedError, ValueError) as error:
        raise UnreadableFile(f"the workbook is damaged: {str(error)[:200]}", where=Where(file)) from error


def _unpacked_size(path: Path, member: zipfile.ZipInfo, *, limit: int, file: str) -> int:
    """The size a member really unpacks to; what the archive claims of it is not believed."""
    too_large = UnreadableFile(f"the workbook unpacks to more than {MAX_UNPACKED // 1_000_000} MB", where=Where(file))
    if member.file_size > limit or member.compress_size > limit:
        raise too_large
    if member.compress_type == zipfile.ZIP_STORED:
        return member.compress_size
    unpacker = zlib.decompressobj(-zlib.MAX_WBITS)
    size = 0
    with path.open("rb") as stream:
        stream.seek(member.header_offset)
        header = stream.read(30)
        stream.seek(
            member.header_offset
            + 30
            + int.from_bytes(header[26:28], "little")
            + int.from_bytes(header[28:30], "little")
        )
        left = member.compress_size
        while left > 0 and not unpacker.eof and (packed := stream.read(min(left, _CHUNK))):
            left -= len(packed)
            while packed and not unpacker.eof:
                size += len(unpacker.decompress(packed, 16 * _CHUNK))
                packed = unpacker.unconsumed_tail
                if size > limit:
                    raise too_large
    return size
