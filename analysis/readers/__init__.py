"""Reading a run file, whatever its format: told by its content, then by its suffix."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Protocol

from analysis import tables
from analysis.errors import BadSetup, UnreadableFile, Where
from analysis.readers import csv, parquet, xlsx
from analysis.results import Trace
from analysis.tables import Heading, RawTable, Wanted


class Reader(Protocol):
    """What a file format gives: how to know it, its headings, its columns."""

    SUFFIXES: tuple[str, ...]

    def matches(self, head: bytes) -> bool: ...

    def headings(self, path: Path, *, file: str) -> tuple[Heading, ...]: ...

    def read(self, path: Path, *, wanted: Wanted, file: str) -> RawTable: ...


READERS: Mapping[str, Reader] = MappingProxyType({"xlsx": xlsx, "parquet": parquet, "csv": csv})
"""Every format by its key; the first whose content matches reads the file."""

_OTHERS = (
    (b"\x1f\x8b", "a gzip archive; unpack it first"),
    (b"BZh", "a bzip2 archive; unpack it first"),
    (b"7z\xbc\xaf", "a 7-Zip archive; unpack it first"),
    (b"\xd0\xcf\x11\xe0", "an old binary workbook; save it as XLSX or CSV"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"PK\x05\x06", "an empty ZIP archive"),
)


def headings(path: Path | str, *, name: str = "") -> tuple[Heading, ...]:
    """The column names and units of a run file; `name` is what errors call it, its own name by default."""
    place = Path(path)
    file = name or place.name
    return _reader(place, file).headings(place, file=file)


def read(path: Path | str, *, wanted: Wanted, name: str = "") -> Trace:
    """The wanted columns of a run file as a trace sorted by time; UnreadableFile or BadSetup says what is wrong."""
    place = Path(path)
    file = name or place.name
    reader = _reader(place, file)
    known = {heading.name for heading in reader.headings(place, file=file)}
    for column in (wanted.time, *wanted.columns):
        if column not in known:
            listed = ", ".join(sorted(known))
            raise BadSetup(
                f"'{column}' is not a column of {file}; it has: {listed}", where=Where(key=f"channel: {column}")
            )
    return tables.make_trace(reader.read(place, wanted=wanted, file=file), wanted=wanted, file=file)


def _reader(path: Path, file: str) -> Reader:
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
    except FileNotFoundError as error:
        raise UnreadableFile("there is no such file", where=Where(file)) from error
    except IsADirectoryError as error:
        raise UnreadableFile("this is a folder, not a file", where=Where(file)) from error
    except OSError as error:
        raise UnreadableFile(f"the file cannot be opened: {error.strerror}", where=Where(file)) from error
    if not head:
        raise UnreadableFile("the file is empty", where=Where(file))
    for start, what in _OTHERS:
        if head.startswith(start):
            raise UnreadableFile(f"the file is {what}, not a table", where=Where(file))
    reader = next((reader for reader in READERS.values() if reader.matches(head)), None)
    if reader is None:
        raise UnreadableFile("the file is not a text table: it holds binary data", where=Where(file))
    return reader
