"""Trace a record to everything made of it, and back to everything it was made from.

The kinds of records stand in one order, from lot to signature, and every link leads from a kind to a later one or to
its own. A trace is therefore one pass over the kinds: each takes what its links bring from the kinds already reached,
and follows links inside the kind (a split of a blend, a portion of a portion) as far as they go. The database does
this in one statement; a hundred thousand records are joined as sets, never walked one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from django.db import connection

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.errors import Invalid, NotFound

READ = "laboratory.read"
SEE_IDENTITY = "sample.see_identity"
Direction = Literal["forward", "back"]
DIRECTIONS: tuple[Direction, ...] = ("forward", "back")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of record in a trace: its table, and how its code, label and state are read."""

    name: str
    table: str
    code: str = "r.code"
    label: str = "''"
    state: str = "r.state"
    joins: str = ""
    plural: str = ""
    right: str = READ

    @property
    def many(self) -> str:
        """What several of them are called."""
        return self.plural or f"{self.name}s"


ISSUED = "CASE WHEN EXISTS (SELECT 1 FROM {table} n WHERE n.supersedes_id = r.id) THEN 'superseded' ELSE 'issued' END"

# in the order of the trade; a trace passes them in this order, or in the opposite one
KINDS: tuple[Kind, ...] = (
    Kind(
        "lot", "materials_lot",
        label="m.name || CASE WHEN r.supplier_lot <> '' THEN ', ' || r.supplier_lot ELSE '' END",
        joins="JOIN materials_material m ON m.id = r.material_id",
    ),
    Kind("batch", "formulations_batch", label="r.name", plural="batches"),
    Kind("sample", "samples_sample", label="r.name"),
    Kind(
        "application", "runs_application", label="'on ' || g.name", joins="JOIN rigs_rig g ON g.id = r.rig_id"
    ),
    Kind("run", "runs_run", label="r.kind"),
    Kind("reduction", "runs_reduction", label="r.method"),
    Kind("comparison", "comparisons_comparison", label="r.title"),
    Kind(
        "report", "comparisons_report", label="r.title",
        state=ISSUED.format(table="comparisons_report"),
    ),
    Kind(
        "certificate", "quality_certificate", right="certificate.read", label="r.title || ', for ' || r.customer",
        state=ISSUED.format(table="quality_certificate"),
    ),
    Kind(
        "signature", "signatures_signature", code="'signature ' || r.id", state="r.meaning",
        label="r.printed_name || ', ' || r.subject_code",
    ),
)  # fmt: skip
BY_NAME = {kind.name: kind for kind in KINDS}


@dataclass(frozen=True, slots=True)
class Link:
    """Pairs of records, the earlier and the later, as one table expression with the columns `earlier` and `later`.

    `secret`: what a blind sample is made of; followed only for those who may see it.
    """

    earlier: str
    later: str
    pairs: str
    secret: bool = False


def _signed(kind: str) -> Link:
    table = BY_NAME[kind].table
    return Link(
        kind,
        "signature",
        f"SELECT t.id AS earlier, s.id AS later FROM signatures_signature s JOIN {table} t ON t.code = s.subject_code"
        f" WHERE s.subject_kind = '{kind}'",
    )


def _certified(kind: str) -> Link:
    return Link(
        kind,
        "certificate",
        f"SELECT t.id AS earlier, c.id AS later FROM quality_certificate c JOIN {BY_NAME[kind].table} t"
        f" ON t.code = c.subject_code WHERE c.subject_kind = '{kind}'",
    )


LINKS: tuple[Link, ...] = (
    # the column `from` of a lot's parents is the child
    Link("lot", "lot", "SELECT to_lot_id AS earlier, from_lot_id AS later FROM materials_lot_parents"),
    # a corrected weighing names a lot that never went in
    Link(
        "lot",
        "batch",
        "SELECT w.lot_id AS earlier, l.batch_id AS later FROM formulations_weighing w"
        " JOIN formulations_batchline l ON l.id = w.line_id"
        " WHERE NOT EXISTS (SELECT 1 FROM formulations_weighing n WHERE n.replaces_id = w.id)",
    ),
    Link(
        "batch",
        "batch",
        "SELECT parent_id AS earlier, id AS later FROM formulations_batch WHERE parent_id IS NOT NULL",
    ),
    # a portion names the batch or the lot of the sample it was split from, too; it hangs on that sample
    Link(
        "lot",
        "sample",
        "SELECT lot_id AS earlier, id AS later FROM samples_sample WHERE lot_id IS NOT NULL AND parent_id IS NULL",
    ),
    Link(
        "batch",
        "sample",
        "SELECT batch_id AS earlier, id AS later FROM samples_sample WHERE batch_id IS NOT NULL AND parent_id IS NULL",
    ),
    Link(
        "lot",
        "sample",
        "SELECT lot_id AS earlier, sample_id AS later FROM samples_blindidentity"
        " WHERE lot_id IS NOT NULL AND revealed_at IS NULL",
        secret=True,
    ),
    Link(
        "batch",
        "sample",
        "SELECT batch_id AS earlier, sample_id AS later FROM samples_blindidentity"
        " WHERE batch_id IS NOT NULL AND revealed_at IS NULL",
        secret=True,
    ),
    Link(
        "sample", "sample", "SELECT parent_id AS earlier, id AS later FROM samples_sample WHERE parent_id IS NOT NULL"
    ),
    Link("sample", "application", "SELECT sample_id AS earlier, id AS later FROM runs_application"),
    Link(
        "application",
        "run",
        "SELECT application_id AS earlier, id AS later FROM runs_run WHERE application_id IS NOT NULL",
    ),
    # a run rests on the zeros before and after it
    Link("run", "run", "SELECT zero_id AS earlier, id AS later FROM runs_run WHERE zero_id IS NOT NULL"),
    Link("run", "run", "SELECT zero_after_id AS earlier, id AS later FROM runs_run WHERE zero_after_id IS NOT NULL"),
    Link("run", "reduction", "SELECT run_id AS earlier, id AS later FROM runs_reduction"),
    Link(
        "sample",
        "comparison",
        "SELECT sample_id AS earlier, comparison_id AS later FROM comparisons_comparison_samples",
    ),
    # a comparison ranks what stands now: the current reduction of each run of its samples under its method
    Link(
        "reduction",
        "comparison",
        "SELECT r.current_id AS earlier, c.id AS later FROM comparisons_comparison c"
        " JOIN comparisons_comparison_samples s ON s.comparison_id = c.id"
        " JOIN runs_application a ON a.sample_id = s.sample_id AND a.method_version_id = c.method_version_id"
        " JOIN runs_run r ON r.application_id = a.id WHERE r.current_id IS NOT NULL",
    ),
    Link("comparison", "report", "SELECT comparison_id AS earlier, id AS later FROM comparisons_report"),
    *(_certified(kind) for kind in ("lot", "batch")),
    Link("report", "signature", "SELECT id AS earlier, signature_id AS later FROM comparisons_report"),
    Link("certificate", "signature", "SELECT id AS earlier, signature_id AS later FROM quality_certificate"),
    *(_signed(kind) for kind in ("lot", "batch", "sample", "run", "comparison")),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Node:
    """One record of a trace."""

    kind: str
    id: int
    code: str
    label: str
    state: str

    @property
    def key(self) -> tuple[str, int]:
        return self.kind, self.id


@dataclass(frozen=True, slots=True)
class Trace:
    """What a record leads to, or came from: how many of each kind, and the first of each."""

    start: Node
    direction: Direction
    counts: dict[str, int]
    nodes: tuple[Node, ...]

    @property
    def total(self) -> int:
        """How many records there are, the first not counted."""
        return sum(self.counts.values())

    def of(self, kind: str) -> list[Node]:
        """The records of one kind, as far as they are listed."""
        return [node for node in self.nodes if node.kind == kind]


def start_of(user: User, kind: str, code: str) -> Node:
    """The record a trace begins with, where this person may see it."""
    require(user, READ)
    known = BY_NAME.get(kind)
    if known is None:
        words = ", ".join(BY_NAME)
        raise Invalid(f"A {kind} cannot be traced.", code="not-traced", fields={"kind": [f"One of: {words}."]})
    require(user, known.right)
    number = code.removeprefix("signature").strip()
    if kind == "signature" and not number.isdecimal():
        raise Invalid(f"'{code}' is not the number of a signature.", code="not-a-code")
    where = "r.id = %s" if kind == "signature" else "r.code = %s"
    rows = _read(f"SELECT {_columns(known)} FROM {known.table} r {known.joins} WHERE {where}", [number or code])
    if not rows:
        raise NotFound(f"There is no {kind} {code}.")
    return Node(*rows[0])


def trace(user: User, start: Node, direction: Direction, *, most: int | None = 200) -> Trace:
    """Everything `start` leads to ("forward"), or came from ("back"); at most `most` of each kind are listed."""
    require(user, READ)
    statement = _statement(start, direction, links=_links(user), most=most)
    rows = _read(statement, [start.id])
    counts: dict[str, int] = {}
    for row in rows:
        counts[row[0]] = row[5]
    nodes = tuple(Node(*row[:5]) for row in rows)
    ordered = {kind.name: counts[kind.name] for kind in KINDS if kind.name in counts}
    return Trace(start, direction, ordered, nodes)


def edges_between(user: User, nodes: Sequence[Node]) -> list[tuple[tuple[str, int], tuple[str, int]]]:
    """The links between some records, each from the earlier to the later."""
    ids: dict[str, list[int]] = {}
    for node in nodes:
        ids.setdefault(node.kind, []).append(node.id)
    parts: list[str] = []
    values: list[Any] = []
    for link in _links(user):
        if link.earlier in ids and link.later in ids:
            parts.append(
                f"SELECT '{link.earlier}', p.earlier, '{link.later}', p.later FROM ({link.pairs}) p"
                " WHERE p.earlier = ANY(%s) AND p.later = ANY(%s)"
            )
            values += [ids[link.earlier], ids[link.later]]
    rows = _read(" UNION ".join(parts), values) if parts else []
    return sorted(((row[0], row[1]), (row[2], row[3])) for row in rows)


def _links(user: User) -> list[Link]:
    sees, kinds = user.may(SEE_IDENTITY), {kind.name for kind in KINDS if user.may(kind.right)}
    return [link for link in LINKS if (sees or not link.secret) and {link.earlier, link.later} <= kinds]


def _statement(start: Node, direction: Direction, *, links: Sequence[Link], most: int | None) -> str:
    """One statement: a set of ids for each kind that can be reached, then the rows of all of them."""
    forward = direction == "forward"
    order = [kind.name for kind in (KINDS if forward else reversed(KINDS))]
    order = order[order.index(start.kind) :]
    stages: list[str] = []
    reached: list[str] = []
    for kind in order:
        stage = _stage(kind, start.kind, reached, [_turned(link, forward) for link in links])
        if stage:
            stages.append(stage)
            reached.append(kind)
    rows = " UNION ALL ".join(_rows(BY_NAME[kind], start.kind, most) for kind in reached)
    return f"WITH RECURSIVE first(id) AS (SELECT %s::bigint), {', '.join(stages)} {rows}"


@dataclass(frozen=True, slots=True)
class _Step:
    """A link as a trace passes it: from one kind and column to another."""

    source: str
    target: str
    column_from: str
    column_to: str
    pairs: str


def _turned(link: Link, forward: bool) -> _Step:
    if forward:
        return _Step(link.earlier, link.later, "earlier", "later", link.pairs)
    return _Step(link.later, link.earlier, "later", "earlier", link.pairs)


def _stage(kind: str, first: str, reached: Sequence[str], steps: Sequence[_Step]) -> str:
    """The ids of one kind that can be reached; "" where no link leads there."""
    into = [step for step in steps if step.target == kind]
    begin = ["SELECT id FROM first"] if kind == first else []
    begin += [_followed(step, f"got_{step.source}") for step in into if step.source in reached]
    if not begin:
        return ""
    inside = [step for step in into if step.source == kind]
    if not inside:
        return f"got_{kind}(id) AS ({' UNION '.join(begin)})"
    # a recursive query may name itself once: the links inside a kind are put together first
    both = " UNION ALL ".join(f"SELECT {s.column_from} AS a, {s.column_to} AS b FROM ({s.pairs}) x" for s in inside)
    begun = f"({' UNION '.join(begin)})"
    return f"got_{kind}(id) AS ({begun} UNION SELECT p.b FROM got_{kind} g JOIN ({both}) p ON p.a = g.id)"


def _followed(step: _Step, source: str) -> str:
    return f"SELECT p.{step.column_to} AS id FROM {source} g JOIN ({step.pairs}) p ON p.{step.column_from} = g.id"


def _rows(kind: Kind, first: str, most: int | None) -> str:
    """The rows of one kind with how many there are; the record the trace begins with left out."""
    but = " WHERE id NOT IN (SELECT id FROM first)" if kind.name == first else ""
    limit = f" LIMIT {int(most)}" if most is not None else ""
    chosen = f"SELECT id, count(*) OVER () AS total FROM got_{kind.name}{but} ORDER BY id{limit}"
    rows = f"({chosen}) c JOIN {kind.table} r ON r.id = c.id {kind.joins}"
    return f"(SELECT {_columns(kind)}, c.total FROM {rows} ORDER BY r.id)"


def _columns(kind: Kind) -> str:
    return f"'{kind.name}' AS kind, r.id, {kind.code} AS code, ({kind.label})::text AS label, {kind.state} AS state"


def _read(statement: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(statement, values)
        return list(cursor.fetchall())
