"""How a figure follows from printed numbers: what is known, and formulas one after another, as plain text.

A method writes one script for each figure it gives; `analysis.working` works it out and shows it. Numbers stand in the
units people see as far as the formulas allow (um over mm2 K/W is W/(m K), without a factor).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.results import Array
from analysis.statistics.errors_in_both import Both
from analysis.units import conversion, from_si

MOST = 12  # points that are written one by one; of more, their weighted sums


@dataclass(slots=True)
class Script:
    """What is known as (symbol, label, value, unit), and steps as (symbol, label, formula, unit), in order.

    Formulas hold symbols, numbers, + - * / ^, brackets and sqrt. The last step, or else the last known number, is the
    figure in the unit people see.
    """

    known: list[tuple[str, str, float, str]] = field(default_factory=list)
    steps: list[tuple[str, str, str, str]] = field(default_factory=list)

    def given(self, symbol: str, label: str, value: float, unit: str) -> str:
        """Write down a known number; returns its symbol."""
        self.known.append((symbol, label, float(value), unit))
        return symbol

    def step(self, symbol: str, label: str, formula: str, unit: str) -> str:
        """Write down a step; returns its symbol."""
        self.steps.append((symbol, label, formula, unit))
        return symbol

    def to_dict(self) -> dict[str, Any]:
        """The script as the result object has it."""
        known = [dict(zip(("symbol", "label", "value", "unit"), one, strict=True)) for one in self.known]
        steps = [dict(zip(("symbol", "label", "formula", "unit"), one, strict=True)) for one in self.steps]
        return {"known": known, "steps": steps}


def script_of(data: Mapping[str, Any]) -> Script:
    """A script back from the result object."""
    return Script(
        [(str(o["symbol"]), str(o["label"]), float(o["value"]), str(o["unit"])) for o in data["known"]],
        [(str(o["symbol"]), str(o["label"]), str(o["formula"]), str(o["unit"])) for o in data["steps"]],
    )


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of a line: in words what its values are, their quantity and the unit they are written in.

    `values` are in SI, shape (n,); `u` what each has for itself of its standard uncertainty, where that counts.
    """

    words: str
    quantity: str
    unit: str
    values: Array
    u: Array = field(default_factory=lambda: np.zeros(0))

    @property
    def seen(self) -> Array:
        """The values in the unit they are written in."""
        return np.asarray(from_si(self.values, self.unit, self.quantity))

    @property
    def scale(self) -> float:
        """Units that one SI unit of a difference makes."""
        return 1.0 / conversion(self.unit, self.quantity).factor


def line_script(fit: Both, x: Axis, y: Axis) -> Script:
    """The line through points uncertain in both coordinates, up to its `slope` and intercept `a`.

    The slope stands among what is known, for the weights need it: the steps show that it comes back.
    """
    script, per = Script(), f"{y.unit}/{x.unit}"
    slope = fit.slope * y.scale / x.scale
    script.given("b", "Slope, found by repetition; the steps lead back to it", slope, per)
    if x.values.size > MOST:
        _sums(script, slope, x, y)
    else:
        _points(script, x, y)
    script.step("slope", "Slope of the line", "Sy / Sx", per)
    script.step("a", "Intercept of the line", "ym - slope * xm", y.unit)
    return script


def _points(script: Script, x: Axis, y: Axis) -> None:
    """Weights, weighted means and sums of a few points, one by one."""
    rows = range(1, x.values.size + 1)
    for n in rows:
        for letter, axis in (("x", x), ("y", y)):
            script.given(f"{letter}{n}", f"{axis.words} of point {n}", float(axis.seen[n - 1]), axis.unit)
            words = f"Its own standard uncertainty, {axis.words.lower()}"
            script.given(f"u{letter}{n}", words, float(axis.u[n - 1] * axis.scale), axis.unit)
    for n in rows:
        script.step(f"w{n}", f"Weight of point {n}", f"1 / (uy{n}^2 + b^2 * ux{n}^2)", f"1/({y.unit})^2")
    total = " + ".join(f"w{n}" for n in rows)
    for letter, axis in (("x", x), ("y", y)):
        above = " + ".join(f"w{n} * {letter}{n}" for n in rows)
        script.step(f"{letter}m", f"Weighted mean, {axis.words.lower()}", f"({above}) / ({total})", axis.unit)
    for n in rows:
        formula = f"w{n} * ((x{n} - xm) * uy{n}^2 + b * (y{n} - ym) * ux{n}^2)"
        script.step(f"g{n}", f"How far along the line point {n} lies from the mean", formula, x.unit)
    for letter, axis in (("y", y), ("x", x)):
        formula = " + ".join(f"w{n} * g{n} * ({letter}{n} - {letter}m)" for n in rows)
        script.step(f"S{letter}", f"Weighted sum, {axis.words.lower()}", formula, f"{x.unit}*{axis.unit}/({y.unit})^2")


def _sums(script: Script, slope: float, x: Axis, y: Axis) -> None:
    """Weighted means and sums of many points, as they are known."""
    xs, ys, ux, uy = x.seen, y.seen, x.u * x.scale, y.u * y.scale
    w = 1.0 / (uy**2 + slope**2 * ux**2)
    xm, ym = float(w @ xs / w.sum()), float(w @ ys / w.sum())
    g = w * ((xs - xm) * uy**2 + slope * (ys - ym) * ux**2)
    n = xs.size
    script.given("xm", f"Weighted mean of {n} points, {x.words.lower()}", xm, x.unit)
    script.given("ym", f"Weighted mean of {n} points, {y.words.lower()}", ym, y.unit)
    for letter, axis, mean, values in (("y", y, ym, ys), ("x", x, xm, xs)):
        words = f"Sum of w * g * ({letter} - {letter}m) over {n} points, w the weight, g how far along the line"
        script.given(f"S{letter}", words, float((w * g) @ (values - mean)), f"{x.unit}*{axis.unit}/({y.unit})^2")


def weighted_line_script(weights: Array, x: Axis, y: Axis) -> Script:
    """A line through points weighted by their own scatter, up to its `slope`; weights beside the largest."""
    script, rows = Script(), range(1, x.values.size + 1)
    relative = weights / weights.max()
    for n in rows:
        script.given(f"x{n}", f"{x.words} of point {n}", float(x.seen[n - 1]), x.unit)
        script.given(f"y{n}", f"{y.words} of point {n}", float(y.seen[n - 1]), y.unit)
        script.given(f"w{n}", f"Weight of point {n} by its own scatter", float(relative[n - 1]), "1")
    total = " + ".join(f"w{n}" for n in rows)
    script.step("xm", "Weighted mean", f"({' + '.join(f'w{n} * x{n}' for n in rows)}) / ({total})", x.unit)
    above = " + ".join(f"w{n} * (x{n} - xm) * y{n}" for n in rows)
    below = " + ".join(f"w{n} * (x{n} - xm)^2" for n in rows)
    script.step("slope", "Slope of the line", f"({above}) / ({below})", f"{y.unit}/{x.unit}")
    return script
