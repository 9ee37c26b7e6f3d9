"""A sheet of working: what is known, and one step after another from it to a figure."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from analysis.errors import UnreadableFile
from analysis.quantities import QUANTITIES
from analysis.results import Input
from analysis.setup import RigSetup
from analysis.units import DIMENSIONS, from_si, shown, to_si
from analysis.worked import Script
from analysis.working.arithmetic import evaluate, names

DIGITS = 10
_PLAIN, _LARGE = 1e-3, 1e9  # between them a number is printed without a power of ten
_TEMPERATURE_UNIT = "degC"
_OWN = {"gradient": "K/m"}  # quantities of the working alone


@dataclass(frozen=True, slots=True)
class Known:
    """One number that is known: `value` in `unit`, the unit it is calculated with; `seen` as people see it."""

    symbol: str
    label: str
    value: float
    unit: str
    seen: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step: `symbol` = `formula` = `numbers` = `value` in `unit`; `seen` the value in the unit people see."""

    symbol: str
    label: str
    formula: str
    numbers: str
    value: float
    unit: str
    seen: str = ""


@dataclass(slots=True)
class Sheet:
    """The working of one figure as it is written down: every value is carried on as it is printed.

    `recorded` is what a settled stretch's figures were made from, `setup` that of the rig.
    """

    recorded: tuple[Input, ...]
    setup: RigSetup
    known: dict[str, Known] = field(default_factory=dict)
    steps: dict[str, Step] = field(default_factory=dict)

    def has(self, symbol: str) -> bool:
        return symbol in self.known or symbol in self.steps

    def take(self, symbol: str, label: str, *, value: float, quantity: str) -> str:
        """Write down a number that is known, SI `value` of a quantity or dimension; returns its symbol."""
        if not self.has(symbol):
            unit = calculating_unit(quantity)
            here = rounded(from_si(value, unit, quantity))
            self.known[symbol] = Known(symbol, label, here, unit, seen_as(value, quantity, unit))
        return symbol

    def step(self, symbol: str, label: str, formula: str, *, quantity: str) -> str:
        """Work out `symbol` by a formula of symbols that stand on the sheet; returns its symbol."""
        if not self.has(symbol):
            values = {name: self.value(name) for name in names(formula)}
            value = rounded(evaluate(formula, values))
            unit = calculating_unit(quantity)
            si = self.to_si(value, unit, quantity)
            numbers = _with_numbers(formula, {name: printed(number) for name, number in values.items()})
            self.steps[symbol] = Step(symbol, label, formula, numbers, value, unit, seen_as(si, quantity, unit))
        return symbol

    def copy(self, script: Script) -> str:
        """Write down what a script says is known, work its steps out; returns the last symbol."""
        end = ""
        for end, label, value, unit in script.known:
            self.known[end] = Known(end, label, rounded(value), unit)
        for end, label, formula, unit in script.steps:
            values = {name: self.value(name) for name in names(formula)}
            numbers = _with_numbers(formula, {name: printed(number) for name, number in values.items()})
            self.steps[end] = Step(end, label, formula, numbers, rounded(evaluate(formula, values)), unit)
        return end

    @staticmethod
    def to_si(value: float, unit: str, quantity: str) -> float:
        """A value of the working in SI; a quantity of the working alone (a gradient) is in SI already."""
        return to_si(value, unit, quantity) if quantity in QUANTITIES or quantity in DIMENSIONS else value

    def value(self, symbol: str) -> float:
        return self.known[symbol].value if symbol in self.known else self.steps[symbol].value

    def inputs(self, prefix: str) -> list[Input]:
        """The recorded inputs whose key begins so, in their order."""
        return [entry for entry in self.recorded if entry.key.startswith(f"{prefix}.")]

    def input(self, key: str) -> Input | None:
        return next((entry for entry in self.recorded if entry.key == key), None)

    def needed(self, key: str) -> Input:
        found = self.input(key)
        if found is None:
            raise UnreadableFile(
                f"the result does not carry '{key}', which this figure was made from; reduce the run again"
            )
        return found


def calculating_unit(quantity: str) -> str:
    """The unit that working is done in: SI, but degrees Celsius for a temperature."""
    dimension = QUANTITIES[quantity].dimension if quantity in QUANTITIES else quantity
    return _TEMPERATURE_UNIT if dimension == "temperature" else DIMENSIONS.get(dimension, _OWN.get(dimension, "1"))


def seen_as(si: float, quantity: str, unit: str) -> str:
    """An SI value in the unit people see, "" where that is the unit of the working."""
    if quantity not in QUANTITIES or QUANTITIES[quantity].shown == unit:
        return ""
    return f"{printed(shown(si, quantity))} {QUANTITIES[quantity].shown}"


def rounded(value: float) -> float:
    """A value as it is printed."""
    return float(printed(value))


def printed(value: float) -> str:
    """A number with ten digits; a small one as so many thousandths, millionths: 91.5e-6 m is 91.5 um at a glance."""
    plain = f"{value:.{DIGITS}g}"
    if value == 0.0 or not math.isfinite(value) or _PLAIN <= abs(value) < _LARGE:
        return plain
    mantissa, power = f"{value:.{DIGITS - 1}e}".split("e")
    thousands = 3 * math.floor(int(power) / 3)
    digits = DIGITS - 1 - (int(power) - thousands)
    return f"{float(mantissa) * 10.0 ** (int(power) - thousands):.{digits}f}".rstrip("0").rstrip(".") + f"e{thousands}"


def _with_numbers(formula: str, numbers: dict[str, str]) -> str:
    """The formula with each name's number in its place; a negative one stands in brackets."""

    def number(match: re.Match[str]) -> str:
        text = numbers.get(match[0], match[0])
        return f"({text})" if text.startswith("-") else text

    return re.sub(r"[A-Za-z_]\w*", number, formula)
