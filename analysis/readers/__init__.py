"""Reading a run file, whatever its format: told by its content, not by its name."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from analysis.errors import UnreadableFile, Where
from analysis.readers.csv import TextReader
from analysis.readers.parquet import ParquetReader
from analysis.readers.tdms import TdmsReader
from analysis.readers.xlsx import WorkbookReader
from analysis.tables import Opened, Reader

READERS: Mapping[str, Reader] = MappingProxyType(
    {"xlsx": WorkbookReader(), "parquet": ParquetReader(), "tdms": TdmsReader(), "csv": TextReader()}
)
"""Every format by its key; the first whose content matches reads the file."""

_OTHERS = (
    (b"\xff\xfe", "UTF-16 text; save it as UTF-8"),
    (b"\xfe\xff", "UTF-16 text; save it as UTF-8"),
    (b"\x1f\x8b", "a gzip archive; unpack it first"),
    (b"BZh", "a bzip2 archive; unpack it first"),
    (b"7z\xbc\xaf", "a 7-Zip archive; unpack it first"),
    (b"\xd0\xcf\x11\xe0", "an old binary workbook; save it as XLSX or CSV"),
    (b"%PDF", "a PDF document, not a table"),
    (b"\x89PNG", "a picture, not a table"),
    (b"\xff\xd8\xff", "a picture, not a table"),
    (b"\x7fELF", "a program, not a table"),
    (b"MZ\x90", "a program, not a table"),
    (b"PK\x05\x06", "an empty ZIP archive, not a table"),
)


def open_run(path: Path | str, *, name: str = "") -> Opened:
    """A run file with its header read; `name` is what errors call it, its own name by default."""
    place = Path(path)
    file = name or place.name
    return _reader(place, file).open(place, file=file)


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
            raise UnreadableFile(f"the file is {what}", where=Where(file))
    reader = next((reader for reader in READERS.values() if reader.matches(head)), None)
    if reader is None:
        raise UnreadableFile("the file is not a text table: it holds binary data", where=Where(file))
    return reader
