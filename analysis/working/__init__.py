"""Show the working: any figure of a result as formulas, inputs and intermediate values to be checked by hand.

    result = analysis.reduce("run.csv", setup="bench-2.toml")
    print(to_text(working_of(result, "thermal_impedance")))

Every number is carried from step to step as it is printed, to ten digits, so that a calculator comes to the same end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.errors import OutOfRange, UnreadableFile
from analysis.output import figure_back, figure_text, from_dict, input_back, line_back
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Input, Measured, Outcome, Reduction
from analysis.setup import RigSetup
from analysis.setup_reading import read_setup
from analysis.units import from_si, shown, shown_difference
from analysis.worked import Script, script_of
from analysis.working.recipes import RECIPES
from analysis.working.sheet import DIGITS, Known, Sheet, Step, calculating_unit, printed, rounded

_MANY = 100_000  # degrees of freedom that are as good as infinitely many
_AGREES = 1e-6  # of the figure, or of its uncertainty: ten digits leave far less


@dataclass(frozen=True, slots=True)
class Working:
    """The way to one figure: what is known, the steps, the end, and the budget that its uncertainty comes from.

    `result` is what the steps lead to and `stated` what the reduction says, both in the unit people see.
    """

    figure: str
    known: tuple[Known, ...]
    steps: tuple[Step, ...]
    result: float
    stated: float
    unit: str
    measured: Measured
    budget: tuple[BudgetLine, ...]

    @property
    def agrees(self) -> bool:
        """Whether the steps lead to the figure that the result states, as far as printed numbers can.

        A difference of two numbers is not known better than the last digits they are printed with.
        """
        slack = _AGREES * max(abs(self.stated), shown_difference(self.measured.u, self.figure))
        slack += max((abs(one.value) for one in self.known if one.unit == self.unit), default=0.0) * 10.0 ** (
            1 - DIGITS
        )
        return abs(self.result - self.stated) <= slack


@dataclass(frozen=True, slots=True)
class _Made:
    """What the working of a result is taken from: its figures, their budgets, inputs, scripts and setup."""

    figures: Mapping[str, Measured]
    budget: Mapping[str, tuple[BudgetLine, ...]]
    inputs: tuple[Input, ...]
    scripts: Mapping[str, Script]
    setup: Mapping[str, object]

    @property
    def known(self) -> list[str]:
        """The figures whose working can be shown."""
        steady = set(RECIPES) if self.inputs or not self.scripts else set()
        return [key for key in self.figures if key in self.scripts or key in steady]


def working_of(result: Reduction | Outcome | Mapping[str, Any], figure: str) -> Working:
    """The working of one figure of a reduction or an outcome, or of the result object it was printed as.

    Raises OutOfRange for a figure the result does not have, UnreadableFile for a result that lacks what the figure
    was made from (results of earlier versions of this package do).
    """
    made = _made(result)
    if figure not in made.known:
        known = ", ".join(made.known) or "none"
        raise OutOfRange(f"the result has no figure '{figure}' whose working can be shown; it has: {known}")
    measured = made.figures[figure]
    script = made.scripts.get(figure)
    sheet = Sheet(made.inputs, RigSetup() if script else read_setup(made.setup))
    end = sheet.copy(script) if script else RECIPES[figure](sheet)
    return Working(
        figure=figure,
        known=tuple(sheet.known.values()),
        steps=tuple(sheet.steps.values()),
        result=sheet.value(end) if script else _seen(sheet.value(end), calculating_unit(figure), figure),
        stated=shown(measured.value, figure),
        unit=QUANTITIES[figure].shown,
        measured=measured,
        budget=made.budget.get(figure, ()),
    )


def figures_worked(result: Reduction | Outcome | Mapping[str, Any]) -> list[str]:
    """The figures of a result whose working can be shown, in its order."""
    return _made(result).known


def _made(result: Reduction | Outcome | Mapping[str, Any]) -> _Made:
    if isinstance(result, Outcome):
        return _Made(result.figures, result.budget, result.inputs, result.worked, result.setup)
    if not isinstance(result, Reduction) and "steady" not in result:
        return _of_outcome(result)
    reduction = result if isinstance(result, Reduction) else from_dict(result)
    return _Made(reduction.figures, reduction.budget, reduction.inputs, {}, reduction.setup)


def _of_outcome(data: Mapping[str, Any]) -> _Made:
    """An outcome from its result object; UnreadableFile says what is not as it should be."""
    try:
        figures = data["figures"]
        return _Made(
            {key: figure_back(entry, key) for key, entry in figures.items()},
            {
                key: tuple(line_back(line, key, str(figures[key]["unit"])) for line in lines)
                for key, lines in data.get("budget", {}).items()
            },
            tuple(input_back(entry) for entry in data.get("inputs", ())),
            {key: script_of(entry) for key, entry in data.get("worked", {}).items()},
            dict(data.get("setup", {})),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UnreadableFile(f"this is no result of a method: {type(error).__name__} {error}") from error


def _seen(value: float, unit: str, figure: str) -> float:
    """A value of the working in the unit people see."""
    si = Sheet.to_si(value, unit, figure)
    return float(from_si(si, QUANTITIES[figure].shown, figure))


def _symbols(working: Working) -> list[str]:
    return [one.symbol for one in working.known] + [one.symbol for one in working.steps]


def with_unit(value: float, unit: str) -> str:
    """A number of the working with its unit; the number one has none."""
    return printed(value) if unit == "1" else f"{printed(value)} {unit}"


def uncertainty_steps(working: Working) -> tuple[str, ...]:
    """How the uncertainty of a figure follows from its budget, in lines: root of the sum of squares, k, U."""
    unit, parts = working.unit, [rounded(shown_difference(line.u, working.figure)) for line in working.budget]
    if not parts:
        return ()
    squares = " + ".join(f"{printed(part)}^2" for part in parts)
    u = shown_difference(working.measured.u, working.figure)
    dof = working.measured.dof
    freedom = f"{dof:.4g}" if dof < _MANY else f"over {_MANY:g}"
    return (
        f"u = sqrt({squares}) = {printed(u)} {unit}",
        f"degrees of freedom (Welch-Satterthwaite): {freedom}; k = {working.measured.k:.4g}",
        f"U = k * u = {printed(shown_difference(working.measured.expanded, working.figure))} {unit}",
    )


def to_dict(working: Working) -> dict[str, Any]:
    """The working as plain text and numbers, ready for JSON and for a page."""
    return {
        "figure": working.figure,
        "label": QUANTITIES[working.figure].label,
        "text": figure_text(working.measured, working.figure),
        "known": [
            {"symbol": one.symbol, "label": one.label, "value": with_unit(one.value, one.unit), "seen": one.seen}
            for one in working.known
        ],
        "steps": [
            {
                "symbol": step.symbol,
                "label": step.label,
                "formula": step.formula,
                "numbers": step.numbers,
                "value": with_unit(step.value, step.unit),
                "seen": step.seen,
            }
            for step in working.steps
        ],
        "budget": [
            {
                "source": line.source,
                "kind": line.kind,
                "u": with_unit(shown_difference(line.u, working.figure), working.unit),
            }
            for line in working.budget
        ],
        "uncertainty": list(uncertainty_steps(working)),
        "result": with_unit(working.result, working.unit),
        "stated": with_unit(working.stated, working.unit),
        "agrees": working.agrees,
    }


def to_text(working: Working) -> str:
    """The working in lines for a person."""
    label = QUANTITIES[working.figure].label
    lines = [f"{label}: {figure_text(working.measured, working.figure)}", "", "known"]
    width = max(len(symbol) for symbol in _symbols(working))
    for one in working.known:
        seen = f" ({one.seen})" if one.seen else ""
        lines.append(f"  {one.symbol:<{width}} = {with_unit(one.value, one.unit)}{seen}  {one.label}")
    lines += ["", "steps"] if working.steps else []
    for step in working.steps:
        seen = f" = {step.seen}" if step.seen else ""
        lines += [
            f"  {step.label}",
            f"  {step.symbol:<{width}} = {step.formula}",
            f"  {'':<{width}} = {step.numbers}",
            f"  {'':<{width}} = {with_unit(step.value, step.unit)}{seen}",
        ]
    lines += ["", "uncertainty"]
    for line in working.budget:
        part = printed(shown_difference(line.u, working.figure))
        lines.append(f"  {part} {working.unit}  {line.source} (type {line.kind})")
    lines += [f"  {step}" for step in uncertainty_steps(working)]
    verdict = (
        "which is what the result states" if working.agrees else f"but the result states {printed(working.stated)}"
    )
    return "\n".join([*lines, "", f"The steps lead to {printed(working.result)} {working.unit}, {verdict}."])
