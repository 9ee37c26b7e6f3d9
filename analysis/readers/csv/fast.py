"""A piece of a text table read by polars; anything out of the plain is left to the careful way.

polars is imported inside the functions that use it: a process that has used it and then forks leaves the child with
locks that nobody will open. A worker that forks must therefore not have used polars before, and importing this module
must not start it. A child of a process that has used it reads with care only, which is slow but safe.
"""

from __future__ import annotations

import math
import os
from functools import cache
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis import times
from analysis.readers.csv.pieces import Piece
from analysis.readers.csv.plan import NeedsCare, Part, Plan

if TYPE_CHECKING:
    import polars as pl

Number = TypeVar("Number", np.float64, np.float32, np.floating)

_PLAIN_STAMP = r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:Z|[+-]\d\d(?::?\d\d)?)?$"


@cache
def _first_process() -> int:
    """The process that first used polars; a forked child inherits the answer."""
    return os.getpid()


def may_use_polars() -> bool:
    """Whether polars is safe here: not in the child of a process that has used it."""
    return _first_process() == os.getpid()


def read_fast(plan: Plan, piece: Piece) -> Part:
    """A piece by polars; NeedsCare where anything in it is not as plain as it should be."""
    import polars as pl

    body = piece.data
    if body[:1] in b"\r\n" or body.endswith((b"\n\n", b"\n\r\n")):
        body = body.strip(b"\r\n")
    if not body:
        return Part(numbers={place: [] for place in plan.places})
    try:
        frame = _frame(plan, body)
        if piece.separators != frame.height * (plan.layout.width - 1):
            raise NeedsCare  # polars passes over cells that are too many, and fills up those that are too few
        return _part(plan, frame)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, ValueError) as error:
        raise NeedsCare from error


def _frame(plan: Plan, body: bytes) -> pl.DataFrame:
    import polars as pl

    numbers = set(plan.places)
    if not plan.stamps:
        numbers.add(plan.time_place)
    if plan.decimal == "," and b"." in body:
        # polars takes a point for a decimal sign too: look at the text of the numbers before trusting them
        texts = _scan(plan, body, {}).select([str(place) for place in sorted(numbers)]).collect()
        if any(texts[name].str.contains(".", literal=True).any() for name in texts.columns):
            raise NeedsCare
    wanted = sorted({*plan.places, plan.time_place})
    types = dict.fromkeys(numbers, pl.Float64)
    return _scan(plan, body, types).select([str(place) for place in wanted]).collect()


def _scan(plan: Plan, body: bytes, types: dict[int, type[pl.Float64]]) -> pl.LazyFrame:
    import polars as pl

    return pl.scan_csv(
        body,
        has_header=False,
        schema={str(place): types.get(place, pl.String) for place in range(plan.layout.width)},
        separator=plan.layout.separator,
        null_values=["NA"] if b"N" in body else None,  # blank and nan are known without asking for each cell
        quote_char='"' if b'"' in body else None,
        decimal_comma=plan.decimal == ",",
        encoding="utf8-lossy",
    )


def _part(plan: Plan, frame: pl.DataFrame) -> Part:
    time = frame[str(plan.time_place)]
    return Part(
        rows=frame.height,
        numbers={place: _values(frame[str(place)], plan.kind) for place in plan.places},
        seconds=[] if plan.stamps else _values(time, np.float64),
        instants=[_instants(time, aware=plan.aware)] if plan.stamps else [],
    )


def _values(series: pl.Series, kind: type[Number]) -> list[NDArray[Number]]:
    """A number column in the parts polars holds it in, nulls as nan; infinities are no readings."""
    parts: list[NDArray[Number]] = []
    for chunk in series.get_chunks():
        values = chunk.to_numpy()
        with np.errstate(over="ignore", invalid="ignore"):
            total = values.sum()
        if not math.isfinite(total) and np.isinf(values).any():
            raise NeedsCare
        parts.append(values.astype(kind, copy=False))
    return parts


def _instants(series: pl.Series, *, aware: bool) -> times.Instants:
    """Stamps as microseconds; NeedsCare where one is written in a way that needs care."""
    import polars as pl

    pattern = "%Y-%m-%dT%H:%M:%S%.f" + ("%#z" if aware else "")
    kind = pl.Datetime("us", "UTC") if aware else pl.Datetime("us")
    texts = series.str.replace(" ", "T", literal=True)
    if aware:
        texts = texts.str.replace(r"Z$", "+00:00")
    parsed = texts.str.strptime(kind, pattern, strict=False)
    if parsed.null_count() != series.null_count() or not series.str.contains(_PLAIN_STAMP).all():
        raise NeedsCare
    return parsed.dt.epoch("us").fill_null(times.MISSING).to_numpy().astype(np.int64, copy=False)
