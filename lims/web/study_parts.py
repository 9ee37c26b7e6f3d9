"""A study's result object laid out for a page: whatever parts a method gives become facts and tables.

Nothing here knows a method by name, so that a new one is shown with no more ado.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lims.core.codes import SHAPE
from lims.core.display import pretty_unit, show_number
from lims.core.errors import Invalid
from lims.core.quantities import quantity

# what every result has, and every study's page shows in its own way
COMMON = frozenset(
    {"method", "run", "figures", "budget", "flags", "notes", "setup", "files", "package_version"}
) | frozenset({"inputs", "worked", "monte_carlo"})
UNITS = (
    ("_mm2_K_per_W_per_um", "mm^2*K/W/um"),
    ("_mm2_K_per_W", "mm^2*K/W"),
    ("_J_per_K", "J/K"),
    ("_percent", "%"),
    ("_days", "d"),
    ("_um", "um"),
    ("_s", "s"),
    ("_K", "K"),
    ("_N", "N"),
)
MOST_ROWS = 200
LONG = 30  # rows
SHORT = 4  # values that stand in one cell


@dataclass(frozen=True, slots=True)
class Cell:
    """One value: a figure with its uncertainty, a number, a record's code, or words."""

    figure: Mapping[str, Any] | None = None
    text: str = ""
    number: bool = False
    code: bool = False  # of a record


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a result: its facts, and its table where it has one; `left_out` rows are in the JSON alone."""

    title: str
    facts: tuple[tuple[str, Cell], ...] = ()
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[Cell, ...], ...] = ()
    left_out: int = 0

    @property
    def columns(self) -> list[tuple[str, bool]]:
        """Each heading, and whether numbers stand under it."""
        kinds = [any(cell.number or cell.figure for cell in column) for column in zip(*self.rows, strict=True)]
        return list(zip(self.headings, kinds, strict=True))

    @property
    def long(self) -> bool:
        """Whether the table is too long to be read rather than looked up."""
        return len(self.rows) > LONG


def sections_of(result: Mapping[str, Any]) -> list[Section]:
    """The parts of a result beside those that every study has."""
    return _of_mapping("", {name: value for name, value in result.items() if name not in COMMON})


def _of_mapping(title: str, part: Mapping[str, Any]) -> list[Section]:
    facts = {name: value for name, value in part.items() if _is_plain(value)}
    columns = {name: value for name, value in part.items() if _is_column(value)}
    found = []
    if facts or columns:
        rows = zip(*columns.values(), strict=False)
        found.append(_section(title, [dict(zip(columns, row, strict=True)) for row in rows], facts))
    for name, value in part.items():
        beneath = f"{title}: {heading(name).lower()}" if title else heading(name)
        if _is_rows(value):
            found.append(_section(beneath, value))
        elif isinstance(value, Mapping) and value and not _is_figure(value):
            found += _of_mapping(beneath, value)
    return found


def _section(title: str, rows: Sequence[Mapping[str, Any]], facts: Mapping[str, Any] | None = None) -> Section:
    flat = [_flat(row) for row in rows[:MOST_ROWS]]
    names = list(dict.fromkeys(name for row in flat for name in row))
    return Section(
        title=title,
        facts=tuple((heading(name), cell(value, name)) for name, value in (facts or {}).items()),
        headings=tuple(_heading_with_unit(name) for name in names),
        rows=tuple(tuple(cell(row.get(name)) for name in names) for row in flat),
        left_out=len(rows) - len(flat),
    )


def _flat(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row whose own tables of figures have become columns of it."""
    flat: dict[str, Any] = {}
    for name, value in row.items():
        if isinstance(value, Mapping) and not _is_figure(value):
            flat |= value
        else:
            flat[name] = value
    return flat


# Kinds of values ------------------------------------------------------------------------------------------------------


def _is_figure(value: object) -> bool:
    return isinstance(value, Mapping) and {"value", "u", "unit"} <= set(value)


def _is_rows(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(entry, Mapping) for entry in value)


def _is_column(value: object) -> bool:
    return isinstance(value, list) and len(value) > SHORT and not any(isinstance(one, Mapping | list) for one in value)


def _is_plain(value: object) -> bool:
    if isinstance(value, list):
        return bool(value) and not _is_rows(value) and not _is_column(value)
    return value != "" and (not isinstance(value, Mapping) or _is_figure(value))


# Words ----------------------------------------------------------------------------------------------------------------


def cell(value: Any, name: str = "") -> Cell:
    """A value as it stands on the page; `name` tells the unit of a number that stands alone."""
    if isinstance(value, Mapping):
        return Cell(figure=value) if value.get("value") is not None else Cell(text="none")
    if isinstance(value, bool):
        return Cell(text="yes" if value else "no")
    if isinstance(value, int | float):
        unit = pretty_unit(unit_of(name)) if name else ""
        return Cell(text=f"{show_number(value)} {unit}".strip(), number=True)
    if isinstance(value, list):
        return Cell(text=_listed(value, name))
    words = "none" if value is None else str(value).replace("_", " ")
    return Cell(text=words, code=SHAPE.match(words) is not None)


def _listed(values: Iterable[Any], name: str) -> str:
    words = [cell(value).text for value in values]
    if name.endswith("_95") and len(words) == 2:
        return f"{words[0]} to {words[1]}"
    return ", ".join(words)


def heading(name: str) -> str:
    """A key in words: `gap_way_um` is "Gap way"."""
    try:
        return quantity(name).label
    except Invalid:
        pass
    bare = next((name.removesuffix(end) for end, _ in UNITS if name.endswith(end)), name)
    words = bare.replace("_", " ").replace("p ", "probability of ", 1) if bare.startswith("p_") else bare
    words = words.replace("_", " ").removesuffix(" 95") + (" (95 %)" if words.endswith("95") else "")
    return words[:1].upper() + words[1:]


def unit_of(name: str) -> str:
    """The unit that a key tells, by its end or as a quantity."""
    try:
        return quantity(name).shown
    except Invalid:
        return next((unit for end, unit in UNITS if name.endswith(end)), "")


def _heading_with_unit(name: str) -> str:
    unit = pretty_unit(unit_of(name))
    return f"{heading(name)} [{unit}]" if unit else heading(name)
