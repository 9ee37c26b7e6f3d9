"""Time stamps: ISO 8601 text to instants, and local clock times of a zone to universal time."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Instants = NDArray[np.int64]  # microseconds since 1970-01-01T00:00, of universal or of local clock time
MISSING = np.iinfo(np.int64).min  # a row without a time

_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - of local clock time as well
_QUARTER = timedelta(minutes=15)  # every zone changes its offset on a quarter of an hour
_QUARTER_US = _QUARTER // timedelta(microseconds=1)
_STAMP = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d{1,9})?)?\s?(?P<offset>Z|[+-]\d\d(?::?\d\d)?)?")


@dataclass(frozen=True, slots=True)
class ClockProblem:
    """Local times that a zone's clock shows twice or never; `row` is the first of them."""

    message: str
    row: int
    everywhere: bool  # all rows are in it: their distances are certain, the start is not


def looks_like_stamp(text: str) -> bool:
    """Whether a cell is written as an ISO 8601 time stamp, with or without an offset."""
    return _STAMP.fullmatch(text.strip()) is not None


def has_offset(text: str) -> bool:
    match = _STAMP.fullmatch(text.strip())
    return match is not None and match["offset"] is not None


def parse_stamp(text: str) -> int | None:
    """Microseconds since 1970 of a stamp: universal where it has an offset, else of the local clock; None: no stamp."""
    stripped = text.strip()
    if _STAMP.fullmatch(stripped) is None:
        return None
    try:
        return microseconds(datetime.fromisoformat(stripped.replace(",", ".").replace(" ", "T", 1).replace(" ", "")))
    except (ValueError, OverflowError):
        return None


def microseconds(moment: datetime) -> int:
    """A moment as microseconds since 1970: universal for an aware one, of the local clock for a naive one."""
    if moment.tzinfo is not None:
        moment = moment.astimezone(UTC).replace(tzinfo=None)
    return (moment - _EPOCH) // timedelta(microseconds=1)


def moment(us: int) -> datetime:
    """The aware moment, in universal time, of microseconds since 1970."""
    return (_EPOCH + timedelta(microseconds=us)).replace(tzinfo=UTC)


def clock_text(us: int) -> str:
    """A clock time as a person writes it, to the second."""
    return (_EPOCH + timedelta(microseconds=us)).strftime("%Y-%m-%d %H:%M:%S")


def read_moment(text: str, *, zone: str) -> datetime | None:
    """One stamp of a note as an aware moment, in `zone` where it has no offset; None where that is not certain."""
    us = parse_stamp(text)
    if us is None:
        return None
    if has_offset(text):
        return moment(us)
    if not zone:
        return None
    universal, problem = to_universal(np.array([us], dtype=np.int64), zone=zone)
    return None if problem else moment(int(universal[0]))


def to_universal(local: Instants, *, zone: str) -> tuple[Instants, ClockProblem | None]:
    """Local clock times of `zone` (none missing) as universal ones, with the first problem of the clock, if any."""
    quarters = local // _QUARTER_US
    changes = np.flatnonzero(np.diff(quarters)) + 1
    known = np.unique(np.concatenate((quarters[:1], quarters[changes])))
    offsets = [_offsets(int(quarter), zone) for quarter in known]
    place = np.searchsorted(known, quarters)
    first = np.array([before for before, _ in offsets], dtype=np.int64)
    odd = np.array([before != after for before, after in offsets])[place]
    universal = local - first[place]
    if not odd.any():
        return universal, None
    return universal, _problem(local, odd, zone=zone)


def _problem(local: Instants, odd: NDArray[np.bool_], *, zone: str) -> ClockProblem:
    row = int(np.argmax(odd))
    everywhere = bool(odd.all()) and bool((np.diff(local) >= 0).all())
    return ClockProblem(_describe(int(local[row]) // _QUARTER_US, zone=zone), row, everywhere)


def _describe(quarter: int, *, zone: str) -> str:
    """`02:00-03:00 occurs twice on 2026-10-25 in Europe/Vienna: give the offset`."""
    before, after = _offsets(quarter, zone)
    start, end = quarter, quarter + 1
    while _offsets(start - 1, zone) == (before, after):
        start -= 1
    while _offsets(end, zone) == (before, after):
        end += 1
    what = "occurs twice" if before > after else "does not exist"
    day = _clock(start).date().isoformat()
    return f"{_clock(start):%H:%M}-{_clock(end):%H:%M} {what} on {day} in {zone}: give the offset"


def _offsets(quarter: int, zone: str) -> tuple[int, int]:
    """The zone's offset [us] at a quarter of local time, taken as the first and as the second time it is shown."""
    clock = _clock(quarter).replace(tzinfo=ZoneInfo(zone))
    first, second = clock.utcoffset(), clock.replace(fold=1).utcoffset()
    if first is None or second is None:
        raise ValueError(f"zone {zone} has no offset")
    return first // timedelta(microseconds=1), second // timedelta(microseconds=1)


def _clock(quarter: int) -> datetime:
    return _EPOCH + quarter * _QUARTER
