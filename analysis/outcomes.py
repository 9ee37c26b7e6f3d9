"""The outcome of a method as the result object that is printed as JSON, and as text for a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis import propagated
from analysis.output import figure_entry, figure_text, finite, input_entry, line_entry, monte_carlo_entries
from analysis.quantities import QUANTITIES
from analysis.results import Flag, Measured, Outcome, Severity

_TITLES = {
    Severity.BLOCKS: "keeps the figures out of rankings and releases",
    Severity.CAUTIONS: "to be read beside the figures",
}


def to_dict(outcome: Outcome) -> dict[str, Any]:
    """The result object: method, run, figures, budget, the method's own parts, flags, notes, setup, files, version."""
    own = {"run": dict(outcome.run), "setup": dict(outcome.setup), "files": dict(outcome.files)}
    kept = {key: plain(value) for key, value in own.items() if value}
    return {
        "method": {"name": outcome.method, "version": outcome.method_version},
        **{key: value for key, value in kept.items() if key == "run"},
        "figures": {key: figure_entry(measured, key) for key, measured in outcome.figures.items()},
        "budget": {key: [line_entry(line, key) for line in lines] for key, lines in outcome.budget.items()},
        **{key: plain(value) for key, value in outcome.parts.items()},
        **monte_carlo_entries(outcome.monte_carlo),
        "flags": [flag_entry(flag) for flag in outcome.flags],
        "notes": dict(outcome.notes),
        **{key: value for key, value in kept.items() if key != "run"},
        "package_version": outcome.package_version,
        **({"inputs": [input_entry(entry) for entry in outcome.inputs]} if outcome.inputs else {}),
        **({"worked": {key: script.to_dict() for key, script in outcome.worked.items()}} if outcome.worked else {}),
    }


def to_text(outcome: Outcome) -> str:
    """The outcome for a person: its own lines, the figures rounded to their uncertainty, the flags in words."""
    lines = list(outcome.text)
    if outcome.figures:
        lines += ["", "figures (expanded uncertainty at 95 %)", *figures_text(outcome.figures)]
    lines += propagated.lines_of(outcome.monte_carlo)
    for severity, title in _TITLES.items():
        flags = [flag for flag in outcome.flags if flag.severity is severity]
        if flags:
            lines += ["", title, *(f"  {flag.code}: {flag.message}" for flag in flags)]
    if outcome.notes:
        lines += ["", "notes", *(f"  {key}: {text}" for key, text in outcome.notes.items())]
    return "\n".join(lines)


def figures_text(figures: Mapping[str, Measured]) -> list[str]:
    """One line a figure, the labels in a column."""
    width = max(len(QUANTITIES[key].label) for key in figures)
    return [f"  {QUANTITIES[key].label:<{width}}  {figure_text(m, key)}" for key, m in figures.items()]


def flag_entry(flag: Flag) -> dict[str, Any]:
    """One flag as the result object has it."""
    return {
        "code": flag.code,
        "severity": str(flag.severity),
        "message": flag.message,
        "figures": list(flag.figures),
    }


def plain(value: object) -> object:
    """`value` with every nan and infinity in it as None, ready for JSON."""
    if isinstance(value, float):
        return finite(value)
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(entry) for entry in value]
    return value
