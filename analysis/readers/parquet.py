"""Parquet tables, read in batches by pyarrow; only the wanted columns leave the file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis import tables, times
from analysis.errors import UnreadableFile, Where
from analysis.tables import Heading, Opened, RawTable, Wanted

_BATCH = 1 << 18  # rows
_HIDDEN_NOTES = frozenset({"pandas", "ARROW:schema"})


class ParquetReader:
    """Parquet tables."""

    suffixes: tuple[str, ...] = (".parquet", ".pq")

    def matches(self, head: bytes) -> bool:
        return head.startswith(b"PAR1")

    def open(self, path: Path, *, file: str) -> Opened:
        with _opened(path, file) as table:
            found = _headings(table, file)
        return Opened(file, found, lambda wanted: _load(path, found, wanted=wanted, file=file))


def _load(path: Path, found: tuple[Heading, ...], *, wanted: Wanted, file: str) -> RawTable:
    """The wanted columns of a Parquet file, in the file's order."""
    with _opened(path, file) as table:
        places = {heading.name: place for place, heading in enumerate(found)}
        names = [wanted.time, *wanted.columns]
        rows = table.metadata.num_rows
        tables.check_size(rows=rows, columns=len(names), file=file)
        kind = tables.number_type(rows * len(names))
        parts = _parts(table, [places[name] for name in names], names, kind=kind, file=file)
        time = parts.pop(0)
        stamped = time.dtype == np.int64
        return RawTable(
            headings=found,
            columns=dict(zip(wanted.columns, parts, strict=True)),
            sha256=tables.file_digest(path),
            seconds=None if stamped else time,
            instants=time if stamped else None,
            aware=stamped and _aware(table, places[wanted.time]),
            notes=_notes(table),
            locate=lambda row: row + 1,
        )


def _opened(path: Path, file: str) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.ParquetFile(path, memory_map=False)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise UnreadableFile(
            f"the file is not a whole Parquet table: {_first_line(error)}", where=Where(file)
        ) from error


def _headings(table: Any, file: str) -> tuple[Heading, ...]:
    """The column names; a unit may also stand in the column's metadata as `unit`."""
    schema = table.schema_arrow
    found = tables.checked_headings(schema.names, file=file, line=1)
    return tuple(
        heading if heading.unit else Heading(heading.name, (field.metadata or {}).get(b"unit", b"").decode())
        for heading, field in zip(found, schema, strict=True)
    )


def _parts(
    table: Any, places: list[int], names: list[str], *, kind: type[np.floating], file: str
) -> list[NDArray[Any]]:
    """The columns at `places`, the time first, each as one array."""
    import pyarrow as pa

    schema = table.schema_arrow
    parts: list[list[NDArray[Any]]] = [[] for _ in places]
    asked = [schema.names[place] for place in places]
    try:
        for batch in table.iter_batches(batch_size=_BATCH, columns=list(dict.fromkeys(asked)), use_threads=False):
            for part, column, name in zip(parts, asked, names, strict=True):
                first = part is parts[0]
                part.append(
                    _values(batch.column(column), kind=np.float64 if first else kind, time=first, name=name, file=file)
                )
    except (pa.ArrowException, OSError) as error:
        raise UnreadableFile(f"the Parquet table is damaged: {_first_line(error)}", where=Where(file)) from error
    return [np.concatenate(part) if part else np.array([], dtype=np.float64) for part in parts]


def _values(column: Any, *, kind: type[np.floating], time: bool, name: str, file: str) -> NDArray[Any]:
    """One batch of a column as numbers with nan, or, of a time column of stamps, as microseconds."""
    import pyarrow as pa

    if time and pa.types.is_timestamp(column.type):
        stamps = column.cast(pa.timestamp("us", tz=column.type.tz), safe=False).cast(pa.int64())
        return np.asarray(stamps.fill_null(int(times.MISSING)).to_numpy(zero_copy_only=False), dtype=np.int64)
    if not (pa.types.is_integer(column.type) or pa.types.is_floating(column.type) or pa.types.is_null(column.type)):
        expected = "numbers or time stamps" if time else "numbers"
        raise UnreadableFile(f"expected {expected}, found cells of type {column.type}", where=Where(file, None, name))
    values = np.asarray(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)
    if np.isinf(values).any():
        row = int(np.flatnonzero(np.isinf(values))[0])
        raise tables.text_in_number_column(str(values[row]), where=Where(file, None, name))
    return values.astype(kind, copy=False)


def _aware(table: Any, place: int) -> bool:
    return bool(table.schema_arrow.field(place).type.tz)


def _notes(table: Any) -> dict[str, str]:
    found = table.schema_arrow.metadata or {}
    texts = {key.decode(errors="replace"): value.decode(errors="replace") for key, value in found.items()}
    return {key: value for key, value in texts.items() if key not in _HIDDEN_NOTES}


def _first_line(error: Exception) -> str:
    return str(error).strip().split("\n")[0][:200]
