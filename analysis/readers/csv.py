"""Text tables: comma, semicolon or tab; point or comma decimals; UTF-8 or Windows-1252; LF or CRLF.

The file is read in blocks cut at line ends. polars parses a block; where it fails, or where the count of separators
shows that a line is too long or too short, the block is read once more with care, cell by cell, which either succeeds
or names the line and the column. So the common case is fast and every error is exact.

polars is imported inside the functions that use it: a process that has used it and then forks leaves the child with
locks that nobody will open. A worker that forks must therefore not have used polars before, and importing this module
must not start it. A child of a process that has used it reads with care only, which is slow but safe.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis import tables, times
from analysis.errors import UnreadableFile, Where
from analysis.results import Array
from analysis.tables import MISSING_TEXTS, Heading, Opened, RawTable, Wanted

if TYPE_CHECKING:
    import polars as pl

Number = TypeVar("Number", np.float64, np.float32, np.floating, np.int64)

_HEAD = 1 << 18  # the header and the first rows are looked for in so many bytes
_PIECE = 16 << 20  # small enough that the allocator uses the same memory again for the next piece
_TAIL = 1 << 16
_LONGEST = 64 << 20  # no line or quoted cell is longer
_SAMPLE_ROWS = 40
_SEPARATORS = ("\t", ";", ",")
_NOTE = re.compile(r"#\s*(?P<key>[^:]{1,80}?)\s*:\s*(?P<value>.*)")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a file is written, found in its first lines; `start` is the offset of the first row, `line` its number."""

    headings: tuple[Heading, ...]
    separator: str
    start: int
    line: int
    width: int  # cells a row, a blank one after a trailing separator included
    encoding: str
    notes: dict[str, str]
    sample: tuple[tuple[str, ...], ...]

    def column(self, name: str) -> int:
        return next(place for place, heading in enumerate(self.headings) if heading.name == name)


class TextReader:
    """Text tables: comma, semicolon or tab."""

    suffixes: tuple[str, ...] = (".csv", ".tsv", ".txt", ".dat")

    def matches(self, head: bytes) -> bool:
        """Whether it can be a text table: what is left when the binary formats have been told apart."""
        return b"\0" not in head

    def open(self, path: Path, *, file: str) -> Opened:
        layout = _layout(path, file=file)
        return Opened(file, layout.headings, lambda wanted: _Reading(path, file, layout, wanted).table())


# --- the first lines ---------------------------------------------------------------------------------------------


def _layout(path: Path, *, file: str) -> Layout:
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    if not head.strip():
        raise UnreadableFile("the file is empty" if not head else "the file holds only blank lines", where=Where(file))
    whole = len(head) < _HEAD
    if not whole:
        head = head[: head.rfind(b"\n") + 1] or head
    _refuse_other_content(head, file=file)
    encoding = _encoding(head, file=file)
    notes, line, offset = _preamble(head, encoding)
    end = head.find(b"\n", offset)
    end = len(head) if end < 0 else end
    header = head[offset:end].decode(encoding).rstrip("\r")
    if not header:
        raise UnreadableFile("expected a header with column names, found none", where=Where(file, line))
    rows = head[end + 1 :].decode(encoding, errors="replace")
    return _describe(header, rows, start=min(end + 1, len(head)), line=line, encoding=encoding, notes=notes, file=file)


def _refuse_other_content(head: bytes, *, file: str) -> None:
    odd = len(head) - len(head.translate(None, bytes(range(1, 9)) + bytes(range(14, 32)) + b"\0"))
    if odd:
        raise UnreadableFile("the file is not a text table: it holds binary data", where=Where(file))
    if b"\r" in head and b"\n" not in head:
        raise UnreadableFile("lines end with a carriage return alone; save the file with LF or CRLF", where=Where(file))
    if b"\n" not in head and len(head) >= _HEAD:
        raise UnreadableFile(f"the first line is longer than {_HEAD} bytes", where=Where(file, 1))


def _encoding(head: bytes, *, file: str) -> str:
    for encoding in ("utf-8-sig",) if head.startswith(b"\xef\xbb\xbf") else ("utf-8", "cp1252"):
        try:
            head.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    raise UnreadableFile("the text is neither UTF-8 nor Windows-1252", where=Where(file))


def _preamble(head: bytes, encoding: str) -> tuple[dict[str, str], int, int]:
    """Notes of the leading blank and `#` lines; the number and the offset of the line after them."""
    notes: dict[str, str] = {}
    offset = 3 if encoding == "utf-8-sig" else 0
    line = 1
    while offset < len(head):
        end = head.find(b"\n", offset)
        end = len(head) if end < 0 else end
        text = head[offset:end].decode(encoding).strip()
        if text.strip(",;\t ") and not text.startswith("#"):
            break
        match = _NOTE.fullmatch(text.rstrip(",;\t ") if text.startswith("#") else text)
        if match is not None:
            notes[match["key"]] = match["value"].strip()
        line, offset = line + 1, end + 1
    return notes, line, min(offset, len(head))


def _describe(  # noqa: PLR0913 - the parts of one layout
    header: str, rows: str, *, start: int, line: int, encoding: str, notes: dict[str, str], file: str
) -> Layout:
    separator = _separator(header, rows)
    names = _split(header, separator)
    while len(names) > 1 and not names[-1].strip():
        names.pop()
    found = tables.checked_headings(names, file=file, line=line)
    sample = _sample(rows, separator)
    first = len(sample[0]) if sample else len(found)
    trailing = first == len(found) + 1 and not sample[0][-1]
    return Layout(
        headings=found,
        separator=separator,
        start=start,
        line=line + 1,
        width=len(found) + trailing,
        encoding=encoding,
        notes=notes,
        sample=sample,
    )


def _sample(rows: str, separator: str) -> tuple[tuple[str, ...], ...]:
    """The first rows that hold anything, cell by cell."""
    cells = csv.reader(io.StringIO(rows, newline=""), delimiter=separator)
    try:
        found = [tuple(cell.strip() for cell in row) for row in islice(cells, _SAMPLE_ROWS)]
    except csv.Error:  # named by its line when the rows are read
        return ()
    return tuple(row for row in found if any(row))


def _separator(header: str, rows: str) -> str:
    """The separator as frequent in the header as in the first rows; a tab before a semicolon before a comma."""
    lines = [line for line in rows[: _SAMPLE_ROWS * 400].splitlines()[:_SAMPLE_ROWS] if line.strip()]
    lines = lines[:-1] or lines
    present = [mark for mark in _SEPARATORS if len(_split(header, mark)) > 1]
    for mark in present:
        cells = len(_split(header, mark))
        if all(abs(len(_split(line, mark)) - cells) <= 1 for line in lines):
            return mark
    return present[0] if present else ","


def _split(line: str, separator: str) -> list[str]:
    """The cells of one line; the line itself where it cannot be split."""
    try:
        return next(csv.reader([line], delimiter=separator), [""])
    except csv.Error:
        return [line]


_POINT = re.compile(r"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?")


def _decimal(cells: Iterable[str]) -> str:
    """The decimal sign of the first cell that has one; "" where all are whole numbers."""
    for cell in cells:
        if _POINT.fullmatch(cell):
            return "."
        if _COMMA.fullmatch(cell):
            return ","
    return ""


# --- the rows ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Piece:
    """Some whole lines of a file: where they start, how many separators they hold, whether they are the last."""

    offset: int
    data: bytes
    separators: int
    last: bool


class _NeedsCare(Exception):
    """A piece that the fast way cannot read: it is to be read with care."""


class _OtherDecimal(Exception):
    """The first rows held whole numbers only; a later one shows that the decimal sign is a comma."""


@dataclass(slots=True)
class _Reading:
    """One file being read: what is wanted of it and what has been found so far."""

    path: Path
    file: str
    layout: Layout
    wanted: Wanted
    stamps: bool = False
    aware: bool = False
    decimal: str = "."
    decimal_sure: bool = True  # False: the first rows held whole numbers only
    time_place: int = 0
    places: tuple[int, ...] = ()
    kind: type[np.floating] = np.float64
    digest: str = ""
    incomplete: int = 0
    rows: int = 0
    numbers: dict[int, list[NDArray[np.floating]]] = field(default_factory=dict)  # by place, in parts
    seconds: list[Array] = field(default_factory=list)
    instants: list[times.Instants] = field(default_factory=list)

    def table(self) -> RawTable:
        """Everything that is wanted; read again from the start where the decimal sign turns out to be a comma."""
        self.time_place = self.layout.column(self.wanted.time)
        self.places = tuple(self.layout.column(name) for name in self.wanted.columns)
        self._recognise_time()
        numbers = self.places if self.stamps else (self.time_place, *self.places)
        cells = [row[place] for row in self.layout.sample for place in numbers if place < len(row)]
        self.decimal = _decimal(cells) or "."
        self.decimal_sure = _decimal(cells) != ""
        self.kind = tables.number_type(self.path.stat().st_size // 8)
        try:
            self._read_rows()
        except _OtherDecimal:
            self.decimal, self.decimal_sure = ",", True
            self._read_rows()
        return self._joined()

    def _recognise_time(self) -> None:
        cells = [row[self.time_place] for row in self.layout.sample if len(row) > self.time_place]
        first = next((cell for cell in cells if cell not in MISSING_TEXTS), "0")
        self.stamps = times.looks_like_stamp(first)
        self.aware = times.has_offset(first)

    def _read_rows(self) -> None:
        self.numbers = {place: [] for place in self.places}
        self.seconds, self.instants = [], []
        self.incomplete = self.rows = 0
        digest = hashlib.sha256()
        pieces = _pieces(self.path, self.layout, digest, file=self.file)
        for piece in pieces if self.path.stat().st_size < _PIECE else _ahead(pieces):
            self._read_piece(piece)
            tables.check_size(rows=self.rows, columns=len(self.places) + 1, file=self.file)
        self.digest = digest.hexdigest()

    def _read_piece(self, piece: _Piece) -> None:
        if _may_use_polars():
            try:
                _fast(self, piece)
                return
            except _NeedsCare:
                pass
        self._careful(piece.data, offset=piece.offset, last=piece.last)

    def _careful(self, data: bytes, *, offset: int, last: bool) -> None:
        """A piece read cell by cell; the first cell that is wrong is named by its line and column."""
        text = data.decode("cp1252" if self.layout.encoding == "cp1252" else "utf-8", errors="replace")
        line = self.layout.line + _count_lines(self.path, self.layout.start, offset)
        numbers: list[list[float]] = [[] for _ in self.places]
        seconds: list[float] = []
        instants: list[int] = []
        for number, cells in self._rows(text, line=line, last=last):
            if self.stamps:
                instants.append(self._instant(cells[self.time_place], line=number))
            else:
                seconds.append(self._second(cells[self.time_place], line=number))
            for values, place in zip(numbers, self.places, strict=True):
                values.append(self._number(cells[place], line=number, place=place))
        self.rows += len(seconds) + len(instants)
        for place, values in zip(self.places, numbers, strict=True):
            self.numbers[place].append(np.array(values, dtype=self.kind))
        if self.stamps:
            self.instants.append(np.array(instants, dtype=np.int64))
        else:
            self.seconds.append(np.array(seconds, dtype=np.float64))

    def _rows(self, text: str, *, line: int, last: bool) -> Iterator[tuple[int, list[str]]]:
        """The rows of a block that hold anything, each with the number of its line."""
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=self.layout.separator, strict=True)
        count = len(self.layout.headings)
        unfinished = last and not text.endswith("\n")
        end = line + text.count("\n")
        while True:
            number = line + reader.line_num
            try:
                cells = [cell.strip() for cell in next(reader)]
            except StopIteration:
                return
            except csv.Error as error:
                raise UnreadableFile(
                    f"the line cannot be split into cells: {error}", where=Where(self.file, number)
                ) from error
            if not any(cells):
                continue
            if len(cells) < count and unfinished and number >= end:
                self.incomplete = 1
                return
            if len(cells) < count or any(cells[count:]):
                raise self._wrong_width(cells, line=number)
            yield number, cells

    def _wrong_width(self, cells: Sequence[str], *, line: int) -> UnreadableFile:
        count = len(self.layout.headings)
        hint = ""
        if self.layout.separator == "," and len(cells) >= 2 * count - 1 and len(cells) > count:
            hint = "; are the decimals commas too? Then use semicolons between the cells"
        column = self.layout.headings[min(len(cells), count - 1)].name
        return UnreadableFile(
            f"expected {count} cells as in the header, found {len(cells)}{hint}", where=Where(self.file, line, column)
        )

    def _number(self, cell: str, *, line: int, place: int) -> float:
        if cell in MISSING_TEXTS:
            return np.nan
        plain = cell.replace(",", ".") if self.decimal == "," else cell
        value = None if self.decimal == "," and "." in cell else tables.parse_number(plain)
        if value is not None and math.isfinite(value):
            return value
        if not self.decimal_sure and tables.parse_number(cell.replace(",", ".")) is not None:
            raise _OtherDecimal
        where = Where(self.file, line, self.layout.headings[place].name)
        raise tables.text_in_number_column(cell, where=where)

    def _second(self, cell: str, *, line: int) -> float:
        if times.looks_like_stamp(cell):
            raise tables.bad_time(cell, where=Where(self.file, line, self.wanted.time))
        return self._number(cell, line=line, place=self.time_place)

    def _instant(self, cell: str, *, line: int) -> int:
        if cell in MISSING_TEXTS:
            return times.MISSING
        where = Where(self.file, line, self.wanted.time)
        instant = times.parse_stamp(cell)
        if instant is None:
            raise tables.bad_time(cell, where=where)
        if times.has_offset(cell) is not self.aware:
            raise UnreadableFile("some stamps carry an offset and some do not", where=where)
        return instant

    def _joined(self) -> RawTable:
        """The parts as one table; the parts of a column are let go as soon as it is joined."""
        columns = {
            name: _concatenate(self.numbers.pop(place), self.kind)
            for name, place in zip(self.wanted.columns, self.places, strict=True)
        }
        return RawTable(
            headings=self.layout.headings,
            columns=columns,
            sha256=self.digest,
            seconds=None if self.stamps else _concatenate(self.seconds, np.float64),
            instants=_concatenate(self.instants, np.int64) if self.stamps else None,
            aware=self.aware,
            notes=self.layout.notes,
            incomplete=self.incomplete,
            locate=self._locate,
        )

    def _locate(self, row: int) -> int | None:
        """The line of a row, found by reading the file's cells once more."""
        text = self.path.read_bytes()[self.layout.start :].decode("utf-8", errors="replace")
        for place, (line, _) in enumerate(self._rows(text, line=self.layout.line, last=True)):
            if place == row:
                return line
        return None


def _concatenate(parts: list[NDArray[Number]], kind: type[Number]) -> NDArray[Number]:
    """The parts as one array of its own: what polars lends is read-only and belongs to its frame."""
    return np.concatenate(parts, dtype=kind) if parts else np.array([], dtype=kind)


def _pieces(path: Path, layout: Layout, digest: hashlib._Hash, *, file: str) -> Iterator[_Piece]:
    """A file in pieces that end at line ends outside quotes; all its bytes, the header's too, go into `digest`."""
    mark = ord(layout.separator)
    with path.open("rb") as stream:
        end = stream.seek(0, io.SEEK_END)
        stream.seek(0)
        digest.update(stream.read(layout.start))
        offset = layout.start
        while True:
            data = _piece(stream, offset, end, file=file)
            digest.update(data)
            last = offset + len(data) >= end or not data
            yield _Piece(offset=offset, data=data, separators=_count(data, mark), last=last)
            if last:
                return
            offset += len(data)


def _piece(stream: BinaryIO, offset: int, end: int, *, file: str) -> bytes:
    size = _piece_size(stream, offset, end)
    stream.seek(offset)
    data = stream.read(size)
    while b'"' in data and data.count(b'"') % 2 and offset + len(data) < end:
        if len(data) > _LONGEST:
            raise UnreadableFile("a quoted cell does not end", where=Where(file))
        data += stream.read(_PIECE) + stream.readline(_PIECE)
    if len(data) > _LONGEST and b"\n" not in data[:_LONGEST]:
        raise UnreadableFile(f"a line is longer than {_LONGEST >> 20} MiB", where=Where(file))
    return data


def _ahead(pieces: Iterator[_Piece]) -> Iterator[_Piece]:
    """The same pieces, each read, counted and hashed by a second thread while the one before it is parsed."""
    with ThreadPoolExecutor(max_workers=1) as reader:
        coming = reader.submit(next, pieces, None)
        while (piece := coming.result()) is not None:
            coming = reader.submit(next, pieces, None)
            yield piece


def _count(data: bytes, mark: int) -> int:
    """How often a byte occurs; in parts that stay in the processor's cache, and without holding other threads up."""
    flat = np.frombuffer(data, dtype=np.uint8)
    return sum(int(np.count_nonzero(flat[at : at + _TAIL] == mark)) for at in range(0, flat.size, _TAIL))


def _piece_size(stream: BinaryIO, offset: int, end: int) -> int:
    """How many bytes from `offset` on make one piece that ends at a line end, found without reading it whole."""
    if end - offset <= _PIECE:
        return end - offset
    stream.seek(offset + _PIECE - _TAIL)
    cut = stream.read(_TAIL).rfind(b"\n") + 1
    return _PIECE - _TAIL + cut if cut else _PIECE + len(stream.readline(_LONGEST))


def _count_lines(path: Path, start: int, end: int) -> int:
    """Line ends between two offsets of a file."""
    count = 0
    with path.open("rb") as stream:
        stream.seek(start)
        left = end - start
        while left > 0:
            block = stream.read(min(left, _PIECE))
            if not block:
                break
            count += block.count(b"\n")
            left -= len(block)
    return count


# --- the fast way ------------------------------------------------------------------------------------------------


@cache
def _polars_process() -> int:
    """The process that first used polars; a forked child inherits the answer."""
    return os.getpid()


def _may_use_polars() -> bool:
    """Whether polars is safe here: not in the child of a process that has used it."""
    return _polars_process() == os.getpid()


def _fast(reading: _Reading, piece: _Piece) -> None:
    """A piece by polars; _NeedsCare where anything in it is not as plain as it should be."""
    import polars as pl

    body = piece.data
    if body[:1] in b"\r\n" or body.endswith((b"\n\n", b"\n\r\n")):
        body = body.strip(b"\r\n")
    if not body:
        return
    try:
        frame = _frame(reading, body)
        if piece.separators != frame.height * (reading.layout.width - 1):
            raise _NeedsCare  # polars passes over cells that are too many, and fills up those that are too few
        columns = {place: _parts(frame[str(place)], reading.kind) for place in reading.places}
        time = frame[str(reading.time_place)]
        if reading.stamps:
            instants, seconds = [_instants(time, aware=reading.aware)], []
        else:
            instants, seconds = [], _parts(time, np.float64)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, ValueError) as error:
        raise _NeedsCare from error
    for place, parts in columns.items():
        reading.numbers[place].extend(parts)
    reading.instants.extend(instants)
    reading.seconds.extend(seconds)
    reading.rows += frame.height


def _frame(reading: _Reading, body: bytes) -> pl.DataFrame:
    import polars as pl

    numbers = set(reading.places)
    if not reading.stamps:
        numbers.add(reading.time_place)
    if reading.decimal == "," and b"." in body:
        # polars takes a point for a decimal sign too: look at the text of the numbers before trusting them
        texts = _scan(reading, body, {}).select([str(place) for place in sorted(numbers)]).collect()
        if any(texts[name].str.contains(".", literal=True).any() for name in texts.columns):
            raise _NeedsCare
    wanted = sorted({*reading.places, reading.time_place})
    types = dict.fromkeys(numbers, pl.Float64)
    return _scan(reading, body, types).select([str(place) for place in wanted]).collect()


def _scan(reading: _Reading, body: bytes, types: dict[int, type[pl.Float64]]) -> pl.LazyFrame:
    import polars as pl

    layout = reading.layout
    return pl.scan_csv(
        body,
        has_header=False,
        schema={str(place): types.get(place, pl.String) for place in range(layout.width)},
        separator=layout.separator,
        null_values=["NA"] if b"N" in body else None,  # blank and nan are known without asking for each cell
        quote_char='"' if b'"' in body else None,
        decimal_comma=reading.decimal == ",",
        encoding="utf8-lossy",
    )


def _parts(series: pl.Series, kind: type[Number]) -> list[NDArray[Number]]:
    """A number column in the parts polars holds it in, nulls as nan; infinities are no readings."""
    parts: list[NDArray[Number]] = []
    for chunk in series.get_chunks():
        values = chunk.to_numpy()
        if not math.isfinite(values.sum()) and np.isinf(values).any():
            raise _NeedsCare
        parts.append(values.astype(kind, copy=False))
    return parts


def _instants(series: pl.Series, *, aware: bool) -> times.Instants:
    """Stamps as microseconds; _NeedsCare where one is written in a way that needs care."""
    import polars as pl

    pattern = "%Y-%m-%dT%H:%M:%S%.f" + ("%#z" if aware else "")
    kind = pl.Datetime("us", "UTC") if aware else pl.Datetime("us")
    texts = series.str.replace(" ", "T", literal=True)
    if aware:
        texts = texts.str.replace(r"Z$", "+00:00")
    parsed = texts.str.strptime(kind, pattern, strict=False)
    if parsed.null_count() != series.null_count():
        raise _NeedsCare
    if not series.str.contains(r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:Z|[+-]\d\d(?::?\d\d)?)?$").all():
        raise _NeedsCare
    return parsed.dt.epoch("us").fill_null(times.MISSING).to_numpy().astype(np.int64, copy=False)
