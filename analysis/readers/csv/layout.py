"""How a text table is written, found in its first lines: encoding, notes, header, separator."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from analysis import tables
from analysis.errors import UnreadableFile, Where
from analysis.tables import Heading

_HEAD = 1 << 18  # the header and the first rows are looked for in so many bytes
_SAMPLE_ROWS = 40
_SEPARATORS = ("\t", ";", ",")
_NOTE = re.compile(r"#\s*(?P<key>[^:]{1,80}?)\s*:\s*(?P<value>.*)")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a file is written, found in its first lines; `start` is the offset of the first row, `line` its number."""

    file: str
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


def read_layout(path: Path, *, file: str) -> Layout:
    """The layout of a text table; UnreadableFile says what else the file is."""
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
        file=file,
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
