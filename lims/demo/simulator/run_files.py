"""A recording as a file, in any of the dialects that loggers write."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta, tzinfo

from lims.demo.simulator.bench import Recording


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a logger writes CSV. `stamps` gives ISO 8601 times, with offset unless `offset` is false, in `zone`."""

    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    bom: bool = False
    line_end: str = "\n"
    missing: str = ""
    stamps: bool = False
    offset: bool = True
    zone: tzinfo | None = None
    time_name: str = "time"
    digits: int = 6
    notes: Mapping[str, str] = field(default_factory=dict)
    blank_lines: int = 0
    signs: Mapping[str, str] = field(default_factory=dict)  # other ways to write a unit, such as "degC": "°C"


def as_csv(recording: Recording, dialect: Dialect | None = None) -> bytes:
    """The recording's bytes in a dialect."""
    written = dialect or Dialect()
    out = io.StringIO()
    out.write(written.line_end * written.blank_lines)
    for key, note in written.notes.items():
        out.write(f"# {key}: {note}{written.line_end}")
    names = list(recording.columns)
    heads = [f"{name} [{written.signs.get(recording.units[name], recording.units[name])}]" for name in names]
    time_head = written.time_name if written.stamps else f"{written.time_name} [s]"
    out.write(written.separator.join([time_head, *heads]) + written.line_end)
    for row in range(recording.time.size):
        cells = [_instant(recording, row, written)]
        cells += [_cell(float(recording.columns[name][row]), written) for name in names]
        out.write(written.separator.join(cells) + written.line_end)
    mark = b"\xef\xbb\xbf" if written.bom else b""
    return mark + out.getvalue().encode(written.encoding)


def _instant(recording: Recording, row: int, dialect: Dialect) -> str:
    seconds = float(recording.time[row])
    if not dialect.stamps:
        return _cell(seconds, dialect)
    instant = recording.begin + timedelta(seconds=seconds)
    instant = instant if dialect.zone is None else instant.astimezone(dialect.zone)
    return (instant if dialect.offset else instant.replace(tzinfo=None)).isoformat(timespec="milliseconds")


def _cell(value: float, dialect: Dialect) -> str:
    if value != value:  # a missing value, the only one that is not itself
        return dialect.missing
    return f"{value:.{dialect.digits}f}".replace(".", dialect.decimal)
