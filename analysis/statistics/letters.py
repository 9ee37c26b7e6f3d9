"""Letters beside means: two treatments share a letter if and only if they do not differ significantly.

1. H.-P. Piepho, J. Comput. Graph. Statist. 13 (2004), 456-466: insert and absorb, for any table of significance.
2. J. Gramm et al., Comput. Statist. Data Anal. 52 (2007), 725-736: letters as a cover of the pairs not significant.
"""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_letters

import numpy as np
from numpy.typing import NDArray

_MANY = 2000  # columns above which the smallest display is given up for one that is surely found


def compact_letters(significant: NDArray[np.bool_], *, order: Sequence[int] | None = None) -> tuple[str, ...]:
    """Letters for each treatment from any symmetric table of significant differences. [1]

    Parameters: `significant` of shape (n, n); `order` the treatments best first, so that the best carries "a" (default:
    as given). Returns one string a treatment; past 52 columns the letters are numbered and set apart by a space.
    """
    ranked = list(range(len(significant))) if order is None else [int(one) for one in order]
    found = letter_columns(np.asarray(significant)[np.ix_(ranked, ranked)])
    columns = sorted(found, key=_members)
    names = [_name(number) for number in range(len(columns))]
    between = "" if len(columns) <= len(ascii_letters) else " "
    texts = [""] * len(ranked)
    for place, treatment in enumerate(ranked):
        texts[treatment] = between.join(
            name for name, column in zip(names, columns, strict=True) if column >> place & 1
        )
    return tuple(texts)


def letter_columns(significant: NDArray[np.bool_]) -> list[int]:
    """The columns of the display as bit sets (bit i: treatment i), redundant letters swept out."""
    alike = [_bits(~row) | 1 << number for number, row in enumerate(np.asarray(significant, dtype=bool))]
    columns = _insert_and_absorb(alike)
    return _sweep(_cover(alike) if columns is None else columns)


def _insert_and_absorb(alike: list[int]) -> list[int] | None:
    """All largest sets without a significant pair, one treatment at a time. [1]

    Each new treatment starts in every column; a column that holds treatments it differs from is split into the column
    without the newcomer and the newcomer with those it is like; columns inside others are absorbed. Only the
    columns that hold some treatment like the newcomer can change, so with means in order each step touches few.
    """
    columns: list[int] = []
    for number, like in enumerate(alike):
        newcomer = 1 << number
        earlier = like & (newcomer - 1)
        kept = [column for column in columns if column & ~earlier]
        parts = {column & earlier for column in columns if column & earlier} or {0}
        columns = kept + [part | newcomer for part in _absorb(parts)]
        if len(columns) > _MANY:
            return None
    return columns


def _absorb(sets: set[int]) -> list[int]:
    kept: list[int] = []
    for one in sorted(sets, key=int.bit_count, reverse=True):
        if not any(one & ~other == 0 for other in kept):
            kept.append(one)
    return kept


def _cover(alike: list[int]) -> list[int]:
    """A cover of all pairs that do not differ, grown greedily: as true as the smallest, but with more letters. [2]"""
    left = [like & ~((1 << number + 1) - 1) for number, like in enumerate(alike)]
    columns = []
    for number in range(len(alike)):
        while left[number]:
            column, candidates = 1 << number, alike[number] & ~(1 << number)
            wanted = left[number]
            while candidates:
                pick = (candidates & wanted or candidates).bit_length() - 1
                column |= 1 << pick
                candidates &= alike[pick] & ~(1 << pick)
            for member in _members(column):
                left[member] &= ~column
            columns.append(column)
    held = 0
    for column in columns:
        held |= column
    return columns + [1 << number for number in range(len(alike)) if not held >> number & 1]


def _sweep(columns: list[int]) -> list[int]:
    """Take out every letter whose sharings are all shown by other letters too. [1]"""
    swept = list(columns)
    holding: dict[int, set[int]] = {}
    for place, column in enumerate(columns):
        for member in _members(column):
            holding.setdefault(member, set()).add(place)
    for place, column in enumerate(columns):
        for member in _members(column):
            together = 0
            for other in holding[member] - {place}:
                together |= swept[other]
            if together and swept[place] & ~together == 0:
                swept[place] &= ~(1 << member)
                holding[member].discard(place)
    return _absorb({column for column in swept if column})


def _members(column: int) -> list[int]:
    found = []
    while column:
        lowest = column & -column
        found.append(lowest.bit_length() - 1)
        column ^= lowest
    return found


def _bits(row: NDArray[np.bool_]) -> int:
    return int.from_bytes(np.packbits(row, bitorder="little").tobytes(), "little")


def _name(number: int) -> str:
    letter = ascii_letters[number % len(ascii_letters)]
    return letter if number < len(ascii_letters) else f"{letter}{number // len(ascii_letters)}"
