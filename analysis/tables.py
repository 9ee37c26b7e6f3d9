"""What every reader shares: a table's headings, the columns asked of it, and the making of a trace out of them."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis import times
from analysis.errors import UnreadableFile, Where
from analysis.results import Array, Trace
from analysis.units import conversion

Numbers = TypeVar("Numbers", NDArray[np.float64], NDArray[np.floating])

MAX_CELLS = 400_000_000  # read at most this many numbers of a file: 1.6 GB as float32
LARGE_BYTES = 400_000_000  # from this size of the numbers on, channels are held as float32 (time never is)
MAX_COLUMNS = 10_000

MISSING_TEXTS = frozenset({"", "NaN", "nan", "NAN", "-NaN", "-nan", "NA"})
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_HEADING = re.compile(r"(?P<name>.*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Heading:
    """One column's head: its name, and its unit as the file writes it ("" for none)."""

    name: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be read: the time column's name, the number columns' names, and the zone of stamps without offset."""

    time: str
    columns: tuple[str, ...]
    time_unit: str = ""  # overrides the header's
    time_zone: str = ""


@dataclass(frozen=True, slots=True)
class RawTable:
    """What a reader hands over: rows in the file's order, missing values nan, missing times nan or `times.MISSING`.

    Of `seconds` (numbers in the time column's unit) and `instants` (stamps) exactly one is given.
    """

    headings: tuple[Heading, ...]
    columns: Mapping[str, NDArray[np.floating]]
    sha256: str
    seconds: Array | None = None
    instants: times.Instants | None = None
    aware: bool = True  # the stamps carry an offset
    notes: Mapping[str, str] = field(default_factory=dict)
    incomplete: int = 0
    locate: Callable[[int], int | None] = lambda row: None  # row (from 0) -> line of the file (from 1)


@dataclass(frozen=True, slots=True)
class Opened:
    """A file whose header has been read: its headings, and how to load columns of it."""

    file: str
    headings: tuple[Heading, ...]
    load: Callable[[Wanted], RawTable]

    def read(self, wanted: Wanted) -> Trace:
        """The wanted columns as a trace sorted by time."""
        return make_trace(self.load(wanted), wanted=wanted, file=self.file)


class Reader(Protocol):
    """What a file format gives: how to know it by its first bytes, and how to open it."""

    suffixes: tuple[str, ...]

    def matches(self, head: bytes) -> bool: ...

    def open(self, path: Path, *, file: str) -> Opened: ...


def parse_heading(text: str) -> Heading:
    """`"hot [degC]"` as name and unit."""
    match = _HEADING.fullmatch(text.strip())
    return Heading(text.strip()) if match is None else Heading(match["name"].strip(), (match["unit"] or "").strip())


def checked_headings(texts: Sequence[str], *, file: str, line: int) -> tuple[Heading, ...]:
    """The headings of a header line; UnreadableFile for a row of values, a blank line, or a name that comes twice."""
    headings = tuple(parse_heading(text) for text in texts)
    where = Where(file=file, line=line)
    if len(headings) > MAX_COLUMNS:
        raise UnreadableFile(f"the header has {len(headings)} columns, more than {MAX_COLUMNS}", where=where)
    if any(
        parse_number(text.strip().replace(",", ".", 1)) is not None or times.looks_like_stamp(text) for text in texts
    ):
        raise UnreadableFile("expected a header with column names, found a row of values", where=where)
    seen: set[str] = set()
    for heading in headings:
        if heading.name and heading.name in seen:
            raise UnreadableFile("the header names this column twice", where=Where(file, line, heading.name))
        seen.add(heading.name)
    if not any(heading.name for heading in headings):
        raise UnreadableFile("the header names no column", where=where)
    return headings


def parse_number(text: str) -> float | None:
    """A plain number with a decimal point; None for anything else. Grouped thousands are never guessed."""
    return float(text) if _NUMBER.fullmatch(text) else None


def file_digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def number_type(cells: int) -> type[np.floating]:
    """The type channels are held in: float64, or float32 for so many cells that memory matters.

    Rounding to float32 is at most 6e-8 of the value: 4 uK at 60 degC, far below any sensor's uncertainty.
    """
    return np.float64 if cells * 8 <= LARGE_BYTES else np.float32


def check_size(*, rows: int, columns: int, file: str) -> None:
    """UnreadableFile for a table too large to be read in the memory there is."""
    if rows * columns > MAX_CELLS:
        raise UnreadableFile(
            f"{rows} rows of {columns} columns are more than the {MAX_CELLS // 1_000_000} million cells that can be"
            " read; split the run or leave out columns",
            where=Where(file=file),
        )


def text_in_number_column(cell: str, *, where: Where) -> UnreadableFile:
    """The error for a cell that is not a number, with a hint where the reason is plain."""
    shown = cell if len(cell) <= 40 else cell[:37] + "..."
    hint = ""
    if re.fullmatch(r"[+-]?\d{1,3}(?:[.,' ]\d{3})*(?:[.,]\d+)?", cell):
        hint = "; grouped thousands and mixed decimal signs are not guessed"
    if cell.startswith("="):
        hint = "; it is the text of a formula: save the file with its values"
    return UnreadableFile(f"expected a number, found '{shown}'{hint}", where=where)


def bad_time(cell: str, *, where: Where) -> UnreadableFile:
    shown = cell if len(cell) <= 40 else cell[:37] + "..."
    return UnreadableFile(
        f"expected seconds or an ISO 8601 time stamp such as 2026-03-01T09:30:00+01:00, found '{shown}'", where=where
    )


def make_trace(raw: RawTable, *, wanted: Wanted, file: str) -> Trace:
    """A trace, sorted by time, out of what a reader found; UnreadableFile where the time axis cannot be trusted."""
    axis = _seconds_axis(raw, wanted, file) if raw.instants is None else _stamp_axis(raw, wanted, file)
    keep, unsorted, repeated = _time_order(axis.seconds)
    undated = _undated_rows(axis.seconds, raw.columns)
    if keep is not None:
        axis_time = axis.seconds[keep]
        columns = {name: _frozen(values[keep]) for name, values in raw.columns.items()}
    else:
        axis_time = axis.seconds
        columns = {name: _frozen(values) for name, values in raw.columns.items()}
    if axis_time.size == 0:
        raise UnreadableFile("there is a header but no row with a time", where=Where(file=file, column=wanted.time))
    return Trace(
        file=file,
        sha256=raw.sha256,
        time=_frozen(axis_time),
        columns=columns,
        units={heading.name: heading.unit for heading in raw.headings},
        notes=dict(raw.notes),
        start=axis.start,
        unsorted=unsorted,
        repeated=repeated,
        time_problem=axis.problem,
        undated=undated,
        incomplete=raw.incomplete,
        unread=tuple(h.name for h in raw.headings if h.name not in raw.columns and h.name != wanted.time),
    )


@dataclass(frozen=True, slots=True)
class _Axis:
    seconds: Array  # nan where missing
    start: datetime | None
    problem: str = ""


def _seconds_axis(raw: RawTable, wanted: Wanted, file: str) -> _Axis:
    """Seconds since the start as the file gives them; the start from a note `start: <stamp>` where there is one."""
    if raw.seconds is None:
        raise ValueError("a raw table has neither seconds nor instants")
    unit = wanted.time_unit or next((h.unit for h in raw.headings if h.name == wanted.time), "")
    where = Where(file=file, line=None, column=wanted.time)
    to_si = conversion(unit or "s", "time", where=where)
    noted = next((text for key, text in raw.notes.items() if key.lower() == "start"), "")
    start = times.read_moment(noted, zone=wanted.time_zone) if noted else None
    return _Axis(raw.seconds if to_si.factor == 1.0 else to_si.to_si(raw.seconds), start)


def _stamp_axis(raw: RawTable, wanted: Wanted, file: str) -> _Axis:
    """Seconds since the earliest stamp, and that stamp as the start."""
    if raw.instants is None or not (present := raw.instants != times.MISSING).any():
        return _Axis(np.full(0 if raw.instants is None else raw.instants.size, math.nan), None)
    instants, problem = raw.instants, ""
    if not raw.aware:
        instants, problem = _universal(raw, present, wanted, file)
    first = int(instants[present].min())
    seconds = (instants - first).astype("timedelta64[us]") / np.timedelta64(1, "s")
    seconds[~present] = math.nan
    known = raw.aware or (bool(wanted.time_zone) and not problem)
    return _Axis(seconds, times.moment(first) if known else None, problem)


def _universal(raw: RawTable, present: NDArray[np.bool_], wanted: Wanted, file: str) -> tuple[times.Instants, str]:
    """Stamps without an offset taken as clock times of the rig's zone, and what is doubtful about them."""
    instants = raw.instants
    if instants is None:
        raise ValueError("a raw table has no instants")
    if not wanted.time_zone:
        return instants, "the stamps carry no offset and the setup gives no time_zone: the start is not known"
    rows = np.flatnonzero(present)
    universal, problem = times.to_universal(instants[rows], zone=wanted.time_zone)
    if problem is not None and not problem.everywhere:
        row = int(rows[problem.row])
        where = Where(file=file, line=raw.locate(row), column=wanted.time)
        raise UnreadableFile(f"{problem.message} (at {times.clock_text(int(instants[row]))})", where=where)
    made = instants.copy()
    made[rows] = universal
    return made, problem.message if problem else ""


def _time_order(seconds: Array) -> tuple[NDArray[np.intp] | None, int, int]:
    """Which rows to keep, in order of time (None: all as they stand), and how many were unsorted and repeated."""
    with np.errstate(invalid="ignore"):  # two infinite times, which are none, tell no order
        rising = bool((np.diff(seconds) > 0).all())
    if seconds.size == 0 or (rising and math.isfinite(seconds[0])):
        return None, 0, 0
    rows = np.flatnonzero(np.isfinite(seconds))
    dated = seconds[rows]
    unsorted = int((dated < np.maximum.accumulate(dated)).sum()) if dated.size else 0
    if unsorted:
        order = np.argsort(dated, kind="stable")
        rows, dated = rows[order], dated[order]
    last = np.append(np.diff(dated) > 0, True)[: dated.size]
    return rows[last], unsorted, int((~last).sum())


def _undated_rows(seconds: Array, columns: Mapping[str, NDArray[np.floating]]) -> int:
    """Rows that hold a value but no time; a row without any value is a blank line and no loss."""
    rows = np.flatnonzero(~np.isfinite(seconds))
    if rows.size == 0:
        return 0
    filled = np.zeros(rows.size, dtype=bool)
    for values in columns.values():
        filled |= np.isfinite(values[rows])
    return int(filled.sum())


def _frozen(values: Numbers) -> Numbers:
    values.flags.writeable = False
    return values
