"""TDMS recordings, read by npTDMS: the first group that has channels, one channel a column.

A channel's unit stands in its property `unit_string` (or in its name, as in any heading). Where no channel is a time,
the time of the rows follows from the channels' waveform properties: start, offset and increment.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis import tables, times
from analysis.errors import AnalysisError, UnreadableFile, Where
from analysis.tables import Heading, Opened, RawTable, Wanted

_TIME = "time"  # what the column of a waveform's times is called
_INCREMENT, _OFFSET, _START = "wf_increment", "wf_start_offset", "wf_start_time"
_WIDEST = 16  # bytes of one value; a file cannot hold more values than its size allows


@dataclass(frozen=True, slots=True)
class _Group:
    """The channels of one group by heading, and, of a waveform, the channel that tells its times."""

    headings: tuple[Heading, ...]
    channels: tuple[Any, ...]
    waveform: Any | None
    rows: int
    notes: dict[str, str]


class TdmsReader:
    """TDMS recordings."""

    suffixes: tuple[str, ...] = (".tdms",)

    def matches(self, head: bytes) -> bool:
        return head.startswith(b"TDSm")

    def open(self, path: Path, *, file: str) -> Opened:
        with _opened(path, file) as recording:
            group = _group(recording, path, file)
        return Opened(file, group.headings, lambda wanted: _load(path, wanted=wanted, file=file))


def _load(path: Path, *, wanted: Wanted, file: str) -> RawTable:
    """The wanted columns of a recording, in the file's order."""
    with _opened(path, file) as recording:
        group = _group(recording, path, file)
        names = [heading.name for heading in group.headings]
        tables.check_size(rows=group.rows, columns=len(wanted.columns) + 1, file=file)
        kind = tables.number_type(group.rows * (len(wanted.columns) + 1))
        columns = {
            name: _numbers(group.channels[names.index(name)], name, file).astype(kind, copy=False)
            for name in wanted.columns
        }
        seconds, instants = _times(group, names.index(wanted.time), wanted.time, file)
        return RawTable(
            headings=group.headings,
            columns=columns,
            sha256=tables.file_digest(path),
            seconds=seconds,
            instants=instants,
            notes=group.notes,
            locate=lambda row: row + 1,
        )


@contextmanager
def _opened(path: Path, file: str) -> Iterator[Any]:
    """A recording; whatever the library runs into in a damaged one becomes one error."""
    from nptdms import TdmsFile
    from nptdms.log import log_manager

    log_manager.set_level("CRITICAL")  # what is wrong with a recording is said by one error, not on the way
    try:
        with path.open("rb") as stream, TdmsFile.open(stream) as recording:
            yield recording
    except AnalysisError:
        raise
    except Exception as error:  # the library raises whatever a damaged file leads it to
        text = str(error).strip().split("\n")[0][:200] or type(error).__name__
        raise UnreadableFile(f"the TDMS recording cannot be read: {text}", where=Where(file)) from error


def _group(recording: Any, path: Path, file: str) -> _Group:
    """The first group that has channels with values."""
    groups = [(group, [channel for channel in group.channels() if len(channel)]) for group in recording.groups()]
    group, channels = next(((group, found) for group, found in groups if found), (None, []))
    if group is None:
        raise UnreadableFile("no group of the recording has a channel with values", where=Where(file))
    rows = _common_length(channels, path, file)
    headings = list(tables.checked_headings([str(channel.name) for channel in channels], file=file, line=1))
    headings = [_with_unit(heading, channel) for heading, channel in zip(headings, channels, strict=True)]
    waveform = next((channel for channel in channels if _increment(channel) > 0.0), None)
    if waveform is not None and _TIME not in {heading.name.lower() for heading in headings}:
        headings.append(Heading(_TIME, "s"))
        channels = [*channels, None]
    else:
        waveform = None
    notes = _notes(recording, group)
    others = [other.name for other, found in groups if found and other is not group]
    if others:
        notes["groups not read"] = ", ".join(others)
    if waveform is not None and (start := waveform.properties.get(_START)) is not None:
        notes["start"] = f"{np.datetime_as_string(np.datetime64(start, 'us'))}Z"
    return _Group(tuple(headings), tuple(channels), waveform, rows, notes)


def _common_length(channels: list[Any], path: Path, file: str) -> int:
    """The number of rows; what a damaged file claims to hold beyond its own size is not believed."""
    rows = len(channels[0])
    most = path.stat().st_size
    for channel in channels:
        if len(channel) > most or len(channel) * getattr(channel.dtype, "itemsize", _WIDEST) > most * _WIDEST:
            raise UnreadableFile(
                f"the recording claims {len(channel)} values, more than fit into it", where=Where(file)
            )
        if len(channel) != rows:
            raise UnreadableFile(
                f"the channel has {len(channel)} values, '{channels[0].name}' has {rows}; channels of one group "
                "must be equally long",
                where=Where(file, None, str(channel.name)),
            )
    return rows


def _with_unit(heading: Heading, channel: Any) -> Heading:
    unit = channel.properties.get("unit_string", "")
    return heading if heading.unit or not isinstance(unit, str) else Heading(heading.name, unit.strip())


def _increment(channel: Any) -> float:
    value = channel.properties.get(_INCREMENT, 0.0)
    return float(value) if isinstance(value, (int, float)) and np.isfinite(value) else 0.0


def _notes(recording: Any, group: Any) -> dict[str, str]:
    """The texts and numbers that the recording and its group carry."""
    found = {**recording.properties, **group.properties}
    return {str(key): _text(value) for key, value in found.items()}


def _text(value: Any) -> str:
    return value.isoformat() if isinstance(value, datetime) else str(value)


def _times(group: _Group, place: int, name: str, file: str) -> tuple[NDArray[np.float64] | None, times.Instants | None]:
    """The time of every row: of its channel, as seconds or stamps, else of the waveform."""
    channel = group.channels[place]
    if channel is None and group.waveform is not None:
        properties = group.waveform.properties
        offset = properties.get(_OFFSET, 0.0)
        start = float(offset) if isinstance(offset, (int, float)) and np.isfinite(offset) else 0.0
        return start + _increment(group.waveform) * np.arange(group.rows, dtype=np.float64), None
    values = np.asarray(channel[:])
    if values.dtype.kind == "M":
        stamps = values.astype("datetime64[us]")
        instants = stamps.astype(np.int64)
        instants[np.isnat(stamps)] = times.MISSING
        return None, instants
    return _checked(values, name, file), None


def _numbers(channel: Any, name: str, file: str) -> NDArray[np.float64]:
    if channel is None:
        raise UnreadableFile("expected a channel, found the times of the rows", where=Where(file, None, name))
    return _checked(np.asarray(channel[:]), name, file)


def _checked(values: NDArray[Any], name: str, file: str) -> NDArray[np.float64]:
    """Values of a channel as numbers with nan; UnreadableFile for texts and for infinities."""
    if values.dtype.kind not in "iuf":
        raise UnreadableFile(f"expected numbers, found values of type {values.dtype}", where=Where(file, None, name))
    numbers = values.astype(np.float64)
    if np.isinf(numbers).any():
        row = int(np.flatnonzero(np.isinf(numbers))[0])
        raise tables.text_in_number_column(str(numbers[row]), where=Where(file, row + 1, name))
    return numbers
