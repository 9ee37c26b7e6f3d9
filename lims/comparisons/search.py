"""Find records by words, also mistyped ones: codes, names, supplier's lot numbers. The highest noun, so it knows all.

Exact comes before what begins alike, that before what holds every word, that before what is near. Near means that the
trigrams of a typed word are mostly those of a word in the record (pg_trgm, a module of PostgreSQL); a code is near
where one digit is wrong or two stand the wrong way round.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection, transaction

from lims.accounts.models import User
from lims.core.codes import PREFIXES, SHAPE

EACH = 20
CANDIDATES = 200
# a word of fewer letters is near to too much
LONG_ENOUGH = 4
NEAR = 0.32
EXACT, BEGINS, HOLDS, NEARLY = range(4)
WORDS = ("the same", "begins so", "holds the words", "nearly")


@dataclass(frozen=True, slots=True)
class Found:
    """One record that matches: its kind, code, what tells it apart, and how well it matches."""

    kind: str
    code: str
    label: str
    rank: int = EXACT
    near: float = 1.0

    @property
    def how(self) -> str:
        """How it matches, in words."""
        return WORDS[self.rank]


@dataclass(frozen=True, slots=True)
class Source:
    """A kind of record that is searched: its table, the columns words are looked for in, what its label says.

    `through`: a smaller table whose names count as its own, as the column that names it, the table and its name.
    """

    kind: str
    table: str
    columns: tuple[str, ...]
    label: str
    right: str = ""
    through: tuple[str, str, str] | None = None
    join: str = ""


SOURCES: tuple[Source, ...] = (
    Source(
        "lot", "materials_lot", ("supplier_lot",),
        "m.name || CASE WHEN t.supplier_lot <> '' THEN ', supplier''s lot ' || t.supplier_lot ELSE '' END",
        through=("material_id", "materials_material", "name"), join="JOIN materials_material m ON m.id = t.material_id",
    ),
    Source("material", "materials_material", ("name",), "t.name"),
    Source("supplier", "materials_supplier", ("name",), "t.name"),
    Source("formulation", "formulations_formulation", ("name",), "t.name", right="recipe.read"),
    Source("batch", "formulations_batch", ("name",), "t.name"),
    Source("sample", "samples_sample", ("name",), "t.name"),
    Source("rig", "rigs_rig", ("name", "serial"), "t.name"),
    Source("method", "rigs_method", ("name",), "t.name"),
    Source("test plan", "runs_testplan", ("title",), "t.title"),
    Source("specification", "specifications_specification", ("name",), "t.name"),
    Source("nonconformance", "cases_nonconformance", ("title",), "t.title"),
    Source("comparison", "comparisons_comparison", ("title",), "t.title"),
)  # fmt: skip
SEARCHED = tuple(source.kind for source in SOURCES)


def find(user: User, text: str, *, kind: str = "") -> list[Found]:
    """Records that match `text`, best first, of one kind or of all; recipes only for those who may read them."""
    words = text.split()[:8]
    if not words:
        return []
    sources = [s for s in SOURCES if (not kind or s.kind == kind) and (not s.right or user.may(s.right))]
    found: dict[str, Found] = {}
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT set_config('pg_trgm.word_similarity_threshold', %s, true)", [str(NEAR)])
        for source in sources:
            for row in [*_by_code(cursor, source, text.strip()), *_by_words(cursor, source, words)]:
                if row.code not in found or row.rank < found[row.code].rank:
                    found[row.code] = row
    ordered = sorted(found.values(), key=lambda row: (row.rank, -row.near, SEARCHED.index(row.kind), row.code))
    return list(_few_of_each(ordered))


def _few_of_each(rows: Sequence[Found]) -> Iterator[Found]:
    counts: dict[str, int] = {}
    for row in rows:
        counts[row.kind] = counts.get(row.kind, 0) + 1
        if counts[row.kind] <= EACH:
            yield row


def _by_code(cursor: Any, source: Source, text: str) -> Iterator[Found]:
    """Those whose code is the text, begins with it, or is one slip away."""
    upper = text.upper()
    if not re.fullmatch(r"[A-Z]{1,3}-?\d*(/\d+)?( [0-9A-Z])?", upper):
        return
    slips = list(_slips(upper, source.kind))
    begin = _like(upper) + "%"
    cursor.execute(
        f"SELECT t.code, {source.label} FROM {source.table} t {source.join}"
        f" WHERE t.code LIKE %s OR t.code = ANY(%s) ORDER BY t.id LIMIT {CANDIDATES}",
        [begin, slips],
    )
    for code, label in cursor.fetchall():
        rank = EXACT if code == upper else BEGINS if code.startswith(upper) else NEARLY
        yield Found(source.kind, code, label or "", rank)


def _slips(code: str, kind: str) -> Iterator[str]:
    """The codes of one kind that one wrong digit, or two the wrong way round, make of a code."""
    shape = SHAPE.match(code)
    if shape is None or shape[1] not in PREFIXES or PREFIXES[shape[1]].name != kind:
        return
    digits = shape[2]
    for place, digit in enumerate(digits):
        yield from (f"{shape[1]}-{digits[:place]}{n}{digits[place + 1 :]}" for n in "0123456789" if n != digit)
        pair = digits[place : place + 2]
        yield f"{shape[1]}-{digits[:place]}{pair[::-1]}{digits[place + 2 :]}"


def _by_words(cursor: Any, source: Source, words: Sequence[str]) -> Iterator[Found]:
    """Those in whose columns every word stands, or one that is near to it."""
    conditions, values = zip(*(_condition(source, word) for word in words), strict=True)
    whole = " || ' ' || ".join([f"t.{name}" for name in source.columns] + (["m.name"] if source.through else []))
    text = " ".join(words)
    cursor.execute(
        f"SELECT t.code, {source.label}, {whole}, word_similarity(%s, {whole})"
        f" FROM {source.table} t {source.join} WHERE {' AND '.join(conditions)} LIMIT {CANDIDATES}",
        [text, *(value for part in values for value in part)],
    )
    for code, label, stands, near in cursor.fetchall():
        yield Found(source.kind, code, label or "", _rank(stands, words), float(near))


def _condition(source: Source, word: str) -> tuple[str, list[str]]:
    parts: list[str] = []
    values: list[str] = []
    for name in source.columns:
        parts.append(_matches(f"t.{name}", word, values))
    if source.through:
        column, table, name = source.through
        parts.append(f"t.{column} = ANY(ARRAY(SELECT id FROM {table} s WHERE {_matches(f's.{name}', word, values)}))")
    return f"({' OR '.join(parts)})", values


def _matches(column: str, word: str, values: list[str]) -> str:
    values.append(f"%{_like(word)}%")
    if len(word) < LONG_ENOUGH:
        return f"{column} ILIKE %s"
    values.append(word)
    return f"{column} ILIKE %s OR %s <%% {column}"


def _like(text: str) -> str:
    """`text` as it stands in a pattern: its own signs mean themselves."""
    return re.sub(r"([\\%_])", r"\\\1", text)


def _rank(stands: str, words: Sequence[str]) -> int:
    low, text = stands.lower().strip(), " ".join(words).lower()
    if low == text:
        return EXACT
    if low.startswith(text):
        return BEGINS
    return HOLDS if all(word.lower() in low for word in words) else NEARLY
