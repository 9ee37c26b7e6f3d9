"""What is to be read of a text table, and what one piece of it gives."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis import tables, times
from analysis.readers.csv.layout import Layout
from analysis.results import Array
from analysis.tables import MISSING_TEXTS, Wanted


@dataclass(frozen=True, slots=True)
class Plan:
    """One reading of a file: which columns by their places, how times and numbers are written, what they become."""

    path: Path
    layout: Layout
    time_place: int
    places: tuple[int, ...]
    kind: type[np.floating]
    stamps: bool  # the times are stamps
    aware: bool  # the stamps carry an offset
    decimal: str = "."
    decimal_sure: bool = True  # False: the first rows hold whole numbers only


@dataclass(slots=True)
class Part:
    """What one piece gives: number columns by place, in the parts they come in, and seconds or instants."""

    rows: int = 0
    numbers: dict[int, list[NDArray[np.floating]]] = field(default_factory=dict)
    seconds: list[Array] = field(default_factory=list)
    instants: list[times.Instants] = field(default_factory=list)
    incomplete: int = 0


class NeedsCare(Exception):
    """A piece that the fast way cannot read: it is to be read with care."""


class OtherDecimal(Exception):
    """The first rows held whole numbers only; a later one shows that the decimal sign is a comma."""


def make_plan(path: Path, *, layout: Layout, wanted: Wanted) -> Plan:
    """The plan as the first rows suggest it."""
    time_place = layout.column(wanted.time)
    places = tuple(layout.column(name) for name in wanted.columns)
    first = next((cell for cell in _sampled(layout, (time_place,)) if cell not in MISSING_TEXTS), "0")
    stamps = times.looks_like_stamp(first)
    decimal = _decimal(_sampled(layout, places if stamps else (time_place, *places)))
    return Plan(
        path=path,
        layout=layout,
        time_place=time_place,
        places=places,
        kind=tables.number_type(path.stat().st_size // 8),
        stamps=stamps,
        aware=times.has_offset(first),
        decimal=decimal or ".",
        decimal_sure=decimal != "",
    )


def _sampled(layout: Layout, places: tuple[int, ...]) -> Iterable[str]:
    return (row[place] for row in layout.sample for place in places if place < len(row))


_POINT = re.compile(r"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?")


def _decimal(cells: Iterable[str]) -> str:
    """The decimal sign of the first cell that has one; "" where all are whole numbers."""
    for cell in cells:
        if _POINT.fullmatch(cell):
            return "."
        if _COMMA.fullmatch(cell):
            return ","
    return ""
