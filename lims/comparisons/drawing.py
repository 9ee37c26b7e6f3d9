"""Lay a trace out as a picture: a column for each kind of record from left to right, links as lines between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lims.comparisons.tracing import BY_NAME, KINDS, Node, Trace

# in units of the picture; a page shows one as one pixel where there is room
PITCH, WIDTH, HEIGHT, STEP, TOP = 104, 84, 36, 48, 48
EACH = 14
ROUNDS = 4

Key = tuple[str, int]


@dataclass(frozen=True, slots=True)
class Box:
    """One record of the picture; the one the trace begins with is drawn heavier. Without a node: how many more."""

    x: int
    y: float
    node: Node | None = None
    first: bool = False
    more: int = 0

    @property
    def middle(self) -> int:
        return self.x + WIDTH // 2

    @property
    def line(self) -> float:
        """Where the first line of its text stands."""
        return self.y + (16 if self.node else 22)

    @property
    def second(self) -> float:
        return self.y + 29


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a column: the kind of record and how many there are."""

    x: int
    name: str
    count: int


@dataclass(frozen=True, slots=True)
class Picture:
    """A trace as it is drawn."""

    width: int
    height: float
    columns: tuple[Column, ...]
    boxes: tuple[Box, ...]
    lines: tuple[str, ...]
    words: str


def listed(start: Node, back: Trace, forward: Trace) -> list[Node]:
    """The records a picture shows: the one it begins with, and the first of each kind before and after it."""
    found = {start.key: start}
    for part in (back, forward):
        for kind in KINDS:
            found |= {node.key: node for node in part.of(kind.name)[:EACH]}
    return list(found.values())


def draw(start: Node, back: Trace, forward: Trace, edges: Sequence[tuple[Key, Key]]) -> Picture:
    """The picture of a trace; `edges` are the links between the records of `listed`."""
    columns = _columns(listed(start, back, forward))
    kept = _without_shortcuts(edges)
    for _ in range(ROUNDS):
        _settle(columns, kept)
    counts = _counts(start, back, forward)
    tallest = max(len(nodes) + (counts[kind] > len(nodes)) for kind, nodes in columns.items())
    height = TOP + STEP * tallest
    boxes: dict[Key, Box] = {}
    heads: list[Column] = []
    others: list[Box] = []
    for place, (kind, nodes) in enumerate(columns.items()):
        x = place * PITCH
        heads.append(Column(x, BY_NAME[kind].many, counts[kind]))
        rest = counts[kind] - len(nodes)
        y = TOP + (height - TOP - STEP * (len(nodes) + (rest > 0))) / 2
        for row, node in enumerate(nodes):
            boxes[node.key] = Box(x, y + STEP * row, node, node.key == start.key)
        if rest > 0:
            others.append(Box(x, y + STEP * len(nodes), more=rest))
    lines = tuple(_line(boxes[a], boxes[b]) for a, b in kept if a in boxes and b in boxes)
    width = PITCH * (len(columns) - 1) + WIDTH
    return Picture(width, height, tuple(heads), (*boxes.values(), *others), lines, _words(start, heads))


def _columns(nodes: Sequence[Node]) -> dict[str, list[Node]]:
    columns = {kind.name: [node for node in nodes if node.kind == kind.name] for kind in KINDS}
    return {kind: found for kind, found in columns.items() if found}


def _counts(start: Node, back: Trace, forward: Trace) -> dict[str, int]:
    counts = {kind.name: back.counts.get(kind.name, 0) + forward.counts.get(kind.name, 0) for kind in KINDS}
    counts[start.kind] += 1
    return counts


def _without_shortcuts(edges: Sequence[tuple[Key, Key]]) -> list[tuple[Key, Key]]:
    """The links, without those that a longer way through the picture says as well (sample to comparison)."""
    after: dict[Key, set[Key]] = {}
    for earlier, later in edges:
        after.setdefault(earlier, set()).add(later)
    return [(a, b) for a, b in edges if not _by_another_way(after, a, b)]


def _by_another_way(after: dict[Key, set[Key]], first: Key, last: Key) -> bool:
    waiting = [key for key in after[first] if key != last]
    seen = set(waiting)
    while waiting:
        for key in after.get(waiting.pop(), ()):
            if key == last:
                return True
            if key not in seen:
                seen.add(key)
                waiting.append(key)
    return False


def _settle(columns: dict[str, list[Node]], edges: Sequence[tuple[Key, Key]]) -> None:
    """Order each column by the mean place of its neighbours, so that fewer lines cross (layered drawing; Sugiyama,
    Tagawa, Toda 1981, IEEE Transactions on Systems, Man, and Cybernetics 11, the barycentre method)."""
    place = {node.key: row / len(nodes) for nodes in columns.values() for row, node in enumerate(nodes)}
    near: dict[Key, list[Key]] = {}
    for earlier, later in edges:
        near.setdefault(earlier, []).append(later)
        near.setdefault(later, []).append(earlier)
    for nodes in columns.values():
        wanted = {node.key: _mean([place[key] for key in near.get(node.key, ()) if key in place]) for node in nodes}
        nodes.sort(key=lambda node: (wanted[node.key], node.id))


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else 0.5


def _line(a: Box, b: Box) -> str:
    """A link as a path: from right edge to left edge, or round the side within one column."""
    if a.x == b.x:
        x, y, end = a.x, a.y + HEIGHT / 2, b.y + HEIGHT / 2
        return f"M{x} {y:g} C{x - 16} {y:g} {x - 16} {end:g} {x} {end:g}"
    x, y, x2, y2 = a.x + WIDTH, a.y + HEIGHT / 2, b.x, b.y + HEIGHT / 2
    bend = (x2 - x) / 2
    return f"M{x} {y:g} C{x + bend:g} {y:g} {x2 - bend:g} {y2:g} {x2} {y2:g}"


def _words(start: Node, heads: Sequence[Column]) -> str:
    parts = ", ".join(f"{head.count} {head.name}" for head in heads)
    return f"From left to right what {start.code} came from and went into: {parts}. The table below says the same."
