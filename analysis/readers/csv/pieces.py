"""A text file in pieces of whole lines, hashed as it goes by."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from analysis.errors import UnreadableFile, Where
from analysis.readers.csv.layout import Layout

PIECE = 16 << 20  # small enough that the allocator uses the same memory again for the next piece
_TAIL = 1 << 16
_LONGEST = 64 << 20  # no line or quoted cell is longer


@dataclass(frozen=True, slots=True)
class Piece:
    """Some whole lines of a file: where they start, how many separators they hold, whether they are the last."""

    offset: int
    data: bytes
    separators: int
    last: bool


def read_pieces(path: Path, *, layout: Layout, digest: hashlib._Hash) -> Iterator[Piece]:
    """A file in pieces that end at line ends outside quotes; all its bytes, the header's too, go into `digest`."""
    mark = ord(layout.separator)
    with path.open("rb") as stream:
        end = stream.seek(0, io.SEEK_END)
        stream.seek(0)
        digest.update(stream.read(layout.start))
        offset = layout.start
        while True:
            data = _piece(stream, offset, end, file=layout.file)
            digest.update(data)
            last = offset + len(data) >= end or not data
            yield Piece(offset=offset, data=data, separators=_count(data, mark), last=last)
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
        data += stream.read(PIECE) + stream.readline(PIECE)
    if len(data) > _LONGEST and b"\n" not in data[:_LONGEST]:
        raise UnreadableFile(f"a line is longer than {_LONGEST >> 20} MiB", where=Where(file))
    return data


def ahead(pieces: Iterator[Piece]) -> Iterator[Piece]:
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
    if end - offset <= PIECE:
        return end - offset
    stream.seek(offset + PIECE - _TAIL)
    cut = stream.read(_TAIL).rfind(b"\n") + 1
    return PIECE - _TAIL + cut if cut else PIECE + len(stream.readline(_LONGEST))


def count_lines(path: Path, start: int, end: int) -> int:
    """Line ends between two offsets of a file."""
    count = 0
    with path.open("rb") as stream:
        stream.seek(start)
        left = end - start
        while left > 0:
            block = stream.read(min(left, PIECE))
            if not block:
                break
            count += block.count(b"\n")
            left -= len(block)
    return count
