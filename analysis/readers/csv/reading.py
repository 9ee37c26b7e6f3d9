"""A whole text table: its pieces read, the fast way where it will do, and joined."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis import tables
from analysis.readers.csv import pieces
from analysis.readers.csv.careful import line_of, read_carefully
from analysis.readers.csv.fast import may_use_polars, read_fast
from analysis.readers.csv.layout import Layout
from analysis.readers.csv.pieces import Piece
from analysis.readers.csv.plan import NeedsCare, OtherDecimal, Part, Plan, make_plan
from analysis.tables import RawTable, Wanted

Number = TypeVar("Number", np.float64, np.floating, np.int64)


def read_table(path: Path, *, layout: Layout, wanted: Wanted) -> RawTable:
    """The wanted columns, in the file's order; read again where the decimal sign turns out to be a comma."""
    plan = make_plan(path, layout=layout, wanted=wanted)
    try:
        part, digest = _read(plan)
    except OtherDecimal:
        plan = replace(plan, decimal=",", decimal_sure=True)
        part, digest = _read(plan)
    return _joined(plan, part, wanted=wanted, digest=digest)


def _read(plan: Plan) -> tuple[Part, str]:
    """All pieces of a file, not yet joined, and its digest."""
    digest = hashlib.sha256()
    found = Part(numbers={place: [] for place in plan.places})
    coming = pieces.read_pieces(plan.path, layout=plan.layout, digest=digest)
    for piece in coming if plan.path.stat().st_size < pieces.PIECE else pieces.ahead(coming):
        part = _read_piece(plan, piece)
        found.rows += part.rows
        found.incomplete += part.incomplete
        found.seconds += part.seconds
        found.instants += part.instants
        for place, values in part.numbers.items():
            found.numbers[place] += values
        tables.check_size(rows=found.rows, columns=len(plan.places) + 1, file=plan.layout.file)
    return found, digest.hexdigest()


def _read_piece(plan: Plan, piece: Piece) -> Part:
    if may_use_polars():
        try:
            return read_fast(plan, piece)
        except NeedsCare:
            pass
    return read_carefully(plan, piece)


def _joined(plan: Plan, part: Part, *, wanted: Wanted, digest: str) -> RawTable:
    """The parts as one table; the parts of a column are let go as soon as it is joined."""
    joined = {place: _concatenate(part.numbers.pop(place), plan.kind) for place in plan.places}
    return RawTable(
        headings=plan.layout.headings,
        columns={name: joined[place] for name, place in zip(wanted.columns, plan.places, strict=True)},
        sha256=digest,
        seconds=None if plan.stamps else _concatenate(part.seconds, np.float64),
        instants=_concatenate(part.instants, np.int64) if plan.stamps else None,
        aware=plan.aware,
        notes=plan.layout.notes,
        incomplete=part.incomplete,
        locate=lambda row: line_of(plan, row),
    )


def _concatenate(parts: list[NDArray[Number]], kind: type[Number]) -> NDArray[Number]:
    """The parts as one array of its own: what polars lends is read-only and belongs to its frame."""
    return np.concatenate(parts, dtype=kind) if parts else np.array([], dtype=kind)
