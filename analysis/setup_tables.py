"""Reading the values of a setup's tables, every mistake named by its key."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches

from analysis.errors import BadSetup, UnitError, Where
from analysis.results import Measured
from analysis.units import example_unit, parse_quantity, split_quantity


@dataclass(slots=True)
class Table:
    """One table of a setup: `values` under `label` ("[gap]", "channel 3:") of `file`; remembers what was asked for."""

    values: Mapping[str, object]
    label: str
    file: str = ""
    asked: set[str] = field(default_factory=set)

    def where(self, key: str) -> Where:
        return Where(file=self.file, key=f"{self.label} {key}".strip())

    def wrong(self, key: str, message: str) -> BadSetup:
        return BadSetup(message, where=self.where(key))

    def get(self, key: str) -> object | None:
        self.asked.add(key)
        return self.values.get(key)

    def text(self, key: str, default: str = "") -> str:
        value = self.get(key)
        if value is None:
            return default
        if not isinstance(value, str):
            raise self.wrong(key, f"expected a text, found {_kind(value)}")
        return value

    def choice(self, key: str, *, of: Collection[str], default: str) -> str:
        value = self.text(key, default)
        if value not in of:
            raise self.wrong(key, f"'{value}' is not known; expected one of: {', '.join(of)}{_close(value, of)}")
        return value

    def truth(self, key: str, *, default: bool) -> bool:
        value = self.get(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            raise self.wrong(key, f"expected true or false, found {_kind(value)}")
        return value

    def number(self, key: str, default: float) -> float:
        """A plain number, such as a gain."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise self.wrong(key, f"expected a number, found {_kind(value)}")
        return float(value)

    def whole(self, key: str, default: int, *, least: int, most: int) -> int:
        """A whole number from `least` to `most`."""
        value = self.get(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise self.wrong(key, f"expected a whole number from {least} to {most}, found {value!r}")
        return value

    def quantity(self, key: str, dimension: str, *, least: float = -math.inf) -> float | None:
        """A number with its unit as a float in SI; None where the key is not there."""
        value = self.get(key)
        return None if value is None else self.checked(key, self.si(key, value, dimension), least)

    def positive(self, key: str, dimension: str, default: float) -> float:
        value = self.quantity(key, dimension)
        if value is None:
            return default
        if value <= 0.0:
            raise self.wrong(key, "expected a value above zero")
        return value

    def measured(self, key: str, dimension: str, *, least: float = -math.inf) -> Measured | None:
        """`"390 W/(m*K)"`, or a table of `value`, `u` and, where known, `dof`; `u` may be a share, such as "2 %"."""
        given = self.get(key)
        if given is None:
            return None
        if not isinstance(given, Mapping):
            return Measured(self.checked(key, self.si(key, given, dimension), least), 0.0)
        inner = Table(given, f"{self.label} {key}:", self.file)
        value = inner.quantity("value", dimension, least=least)
        if value is None:
            raise inner.wrong("value", f'is missing; expected for example {{ value = "1 {example_unit(dimension)}" }}')
        u = _absolute(inner, "u", dimension, of=value) or 0.0
        dof = inner.number("dof", math.inf)
        if dof <= 0.0:
            raise inner.wrong("dof", "expected a number above zero")
        inner.done()
        return Measured(value, inner.checked("u", u, 0.0), dof)

    def si(self, key: str, value: object, dimension: str) -> float:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            if dimension != "ratio":
                raise self.wrong(key, f'{value} has no unit; write for example "{value} {example_unit(dimension)}"')
            value = str(value)
        if not isinstance(value, str):
            raise self.wrong(key, f"expected a number with a unit, found {_kind(value)}")
        try:
            return parse_quantity(value, dimension)
        except UnitError as error:
            raise self.wrong(key, error.message) from error

    def checked(self, key: str, value: float, least: float) -> float:
        if not math.isfinite(value) or value < least:
            raise self.wrong(key, f"expected a value of at least {least:g}" if math.isfinite(value) else "not finite")
        return value

    def inner(self, key: str) -> Table:
        """A table within this one; an empty one where it is not there."""
        value = self.get(key)
        label = f"{self.label} [{key}]".strip()
        if value is None:
            return Table({}, label, self.file)
        if not isinstance(value, Mapping):
            raise self.wrong(key, f"expected a table, found {_kind(value)}")
        return Table(value, label, self.file)

    def done(self) -> None:
        """BadSetup for a key that nothing asked for."""
        for key, value in self.values.items():
            if key not in self.asked:
                known = f"; known here: {', '.join(sorted(self.asked))}"
                shown = f"[{key}]" if isinstance(value, Mapping) else key
                raise self.wrong(shown, f"is not a known key{_close(key, self.asked) or known}")


def tolerance(table: Table, key: str, dimension: str, *, nominal: float | None) -> float | None:
    """An absolute tolerance in SI: a difference as it is, a share times its nominal."""
    value = _absolute(table, key, dimension, of=nominal)
    return None if value is None else table.checked(key, value, 0.0)


def _absolute(table: Table, key: str, dimension: str, *, of: float | None) -> float | None:
    given = table.get(key)
    if given is None:
        return None
    if not _is_share(given):
        return table.si(key, given, _difference(dimension))
    share = table.si(key, given, "ratio")
    if dimension == "temperature":
        raise table.wrong(key, 'a share of a temperature has no meaning; write a difference such as "0.5 K"')
    if of is None:
        raise table.wrong(key, f"a share needs a nominal value: [nominal] {key} is missing")
    return share * abs(of)


def _is_share(given: object) -> bool:
    if not isinstance(given, str):
        return False
    try:
        return split_quantity(given)[1] == "%"
    except UnitError:
        return False


def _difference(dimension: str) -> str:
    return "temperature_difference" if dimension == "temperature" else dimension


def _kind(value: object) -> str:
    if isinstance(value, bool):
        return f"the truth value {str(value).lower()}"
    if isinstance(value, str):
        return f"the text '{value}'"
    return f"{value!r}" if isinstance(value, (int, float)) else f"a {'table' if isinstance(value, Mapping) else 'list'}"


def _close(word: str, known: Collection[str]) -> str:
    near = get_close_matches(word, known, n=1)
    return f"; did you mean '{near[0]}'?" if near else ""
