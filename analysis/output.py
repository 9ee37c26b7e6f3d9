"""A reduction as the result object that is printed as JSON, back from it, and as text for a person.

The object holds values in the units people see; nan and infinity are written as null. The same reduction gives the
same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from analysis import propagated
from analysis.errors import UnreadableFile, Where
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Flag, Input, Measured, Plateau, Press, Propagated, Reduction, Settled, Severity
from analysis.units import DIMENSIONS, conversion, format_measured, from_si, shown, shown_difference, to_si

_SLOPE = "K/min"


def to_dict(reduction: Reduction) -> dict[str, Any]:
    """The result object of a reduction. `sensitivity` is in SI units of the figure per SI unit of its source."""
    return {
        "method": {"name": reduction.method, "version": reduction.method_version},
        "run": {key: _plain(value) for key, value in reduction.run.items()},
        "steady": _settled(reduction.settled),
        "figures": {key: figure_entry(measured, key) for key, measured in reduction.figures.items()},
        "budget": {key: [line_entry(line, key) for line in lines] for key, lines in reduction.budget.items()},
        "press": _press(reduction.press),
        "plateaus": [_plateau(plateau) for plateau in reduction.plateaus],
        "flags": [
            {"code": flag.code, "severity": str(flag.severity), "message": flag.message, "figures": list(flag.figures)}
            for flag in reduction.flags
        ],
        "notes": dict(reduction.notes),
        "setup": dict(reduction.setup),
        "files": dict(reduction.files),
        "package_version": reduction.package_version,
        "inputs": [input_entry(entry) for entry in reduction.inputs],
        **monte_carlo_entries(reduction.monte_carlo),
    }


def monte_carlo_entries(found: Mapping[str, Propagated]) -> dict[str, Any]:
    """The part of a result object that tells figures by Monte Carlo; nothing where none was asked for."""
    return {"monte_carlo": {key: propagated.to_entry(one, key) for key, one in found.items()}} if found else {}


def from_dict(data: Mapping[str, Any], *, name: str = "") -> Reduction:
    """The reduction of a result object; UnreadableFile names `name` and what is not as it should be."""
    try:
        return _reduction(data)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        message = f"this is no result of a reduction: {type(error).__name__} {error}"
        raise UnreadableFile(message, where=Where(file=name)) from error


def to_text(reduction: Reduction) -> str:
    """The reduction for a person: figures rounded to their uncertainty, flags in words."""
    run = reduction.run
    lines = [
        f"{run.get('file')}: {run.get('rows')} rows over {float(str(run.get('seconds', 'nan'))):.6g} s",
        _settled_text(reduction.settled),
    ]
    if reduction.figures:
        width = max(len(QUANTITIES[key].label) for key in reduction.figures)
        lines += ["", "figures (expanded uncertainty at 95 %)"]
        lines += [f"  {QUANTITIES[key].label:<{width}}  {figure_text(m, key)}" for key, m in reduction.figures.items()]
    press = _press_text(reduction.press)
    lines += ["", press] if press else []
    lines += propagated.lines_of(reduction.monte_carlo)
    lines += _flags_text(reduction)
    if reduction.notes:
        lines += ["", "notes", *(f"  {key}: {text}" for key, text in reduction.notes.items())]
    return "\n".join(lines)


def figure_text(measured: Measured, quantity: str) -> str:
    """One figure with its expanded uncertainty and unit: `12.35 ± 0.60 mm^2*K/W`."""
    unit = QUANTITIES[quantity].shown
    text = format_measured(shown(measured.value, quantity), shown_difference(measured.expanded, quantity))
    return f"({text}) {unit}" if "±" in text else f"{text} {unit}"


# --- out ---------------------------------------------------------------------------------------------------------


def figure_entry(measured: Measured, key: str) -> dict[str, Any]:
    """One figure as the result object has it, in the unit people see."""
    return {
        "value": finite(shown(measured.value, key)),
        "unit": QUANTITIES[key].shown,
        "u": finite(shown_difference(measured.u, key)),
        "dof": finite(measured.dof),
        "k": finite(measured.k),
        "U95": finite(shown_difference(measured.expanded, key)),
    }


def line_entry(line: BudgetLine, key: str) -> dict[str, Any]:
    """One line of a figure's budget as the result object has it."""
    return {
        "source": line.source,
        "u": finite(shown_difference(line.u, key)),
        "share": finite(line.share),
        "kind": line.kind,
        "dof": finite(line.dof),
        "sensitivity": None if line.sensitivity is None else finite(line.sensitivity),
        "common": line.common,
    }


def _settled(settled: Settled) -> dict[str, Any]:
    return {
        "found": settled.found,
        "start_s": finite(settled.start_s),
        "end_s": finite(settled.end_s),
        "rows": settled.rows,
        "effective_rows": finite(settled.effective_rows),
        "slope_K_per_min": finite(from_si(settled.slope, _SLOPE, "temperature_rate")),
        "chosen_by_hand": settled.chosen_by_hand,
    }


def input_entry(entry: Input) -> dict[str, Any]:
    """One input as the result object has it."""
    unit = unit_of(entry.quantity)
    found = {
        "key": entry.key,
        "label": entry.label,
        "quantity": entry.quantity,
        "value": finite(from_si(entry.value, unit, entry.quantity)),
        "unit": unit,
        "column": entry.column,
        "depth_mm": None if entry.depth is None else finite(shown(entry.depth, "depth")),
    }
    return {key: value for key, value in found.items() if value not in ("", None)}


def unit_of(quantity: str) -> str:
    """The unit a quantity is shown in, or the SI unit of a dimension."""
    return QUANTITIES[quantity].shown if quantity in QUANTITIES else DIMENSIONS[quantity]


def _plateau(plateau: Plateau) -> dict[str, Any]:
    return {
        **_settled(plateau.settled),
        "nominal": plateau.nominal,
        "figures": {key: figure_entry(measured, key) for key, measured in plateau.figures.items()},
    }


def _press(press: Press | None) -> dict[str, Any]:
    if press is None:
        return {}
    found = {
        "gap_before_um": None if press.gap_before is None else shown(press.gap_before, "gap"),
        "gap_end_um": None if press.gap_end is None else shown(press.gap_end, "gap"),
        "time_to_end_s": press.time_to_end,
        "exponent": press.exponent,
    }
    return {key: value if value is None else finite(value) for key, value in found.items()}


def finite(value: float) -> float | None:
    """A number for JSON; nan and infinity are null there."""
    return float(value) if math.isfinite(value) else None


def _plain(value: object) -> object:
    return finite(value) if isinstance(value, float) else value


# --- text --------------------------------------------------------------------------------------------------------


def _settled_text(settled: Settled) -> str:
    if not settled.found:
        return "not settled: no figure is given"
    slope = from_si(settled.slope, _SLOPE, "temperature_rate")
    by_hand = ", chosen by hand" if settled.chosen_by_hand else ""
    return (
        f"settled from {settled.start_s:.6g} s to {settled.end_s:.6g} s{by_hand}: {settled.rows} rows worth "
        f"{settled.effective_rows:.0f}, temperature rise moving by {slope:.2g} {_SLOPE}"
    )


def _press_text(press: Press | None) -> str:
    parts: list[str] = []
    if press is not None and press.gap_before is not None and press.gap_end is not None:
        parts.append(f"from {shown(press.gap_before, 'gap'):.1f} um to {shown(press.gap_end, 'gap'):.1f} um")
    if press is not None and press.time_to_end is not None:
        parts.append(f"within 1 um of the end after {press.time_to_end:.0f} s")
    if press is not None and press.exponent is not None:
        parts.append(f"exponent {press.exponent:.2f}")
    return f"press: {', '.join(parts)}" if parts else ""


def _flags_text(reduction: Reduction) -> list[str]:
    lines: list[str] = []
    titles = {
        Severity.BLOCKS: "keeps the run out of rankings and releases",
        Severity.CAUTIONS: "to be read beside the figures",
    }
    for severity, title in titles.items():
        flags = [flag for flag in reduction.flags if flag.severity is severity]
        if flags:
            lines += ["", title, *(f"  {flag.code}: {flag.message}" for flag in flags)]
    return lines


# --- back --------------------------------------------------------------------------------------------------------


def _reduction(data: Mapping[str, Any]) -> Reduction:
    figures = data["figures"]
    return Reduction(
        method=str(data["method"]["name"]),
        method_version=str(data["method"]["version"]),
        run=_run_back(data["run"]),
        settled=_settled_back(data["steady"]),
        figures={key: figure_back(entry, key) for key, entry in figures.items()},
        budget={
            key: tuple(line_back(line, key, str(figures[key]["unit"])) for line in lines)
            for key, lines in data.get("budget", {}).items()
        },
        press=_press_back(data.get("press") or {}),
        plateaus=tuple(_plateau_back(plateau) for plateau in data.get("plateaus", [])),
        flags=tuple(
            Flag(flag["code"], Severity(flag["severity"]), flag["message"], tuple(flag.get("figures", ())))
            for flag in data.get("flags", [])
        ),
        notes=dict(data.get("notes", {})),
        setup=dict(data.get("setup", {})),
        files=dict(data.get("files", {})),
        package_version=str(data.get("package_version", "")),
        inputs=tuple(input_back(entry) for entry in data.get("inputs", ())),
        monte_carlo={key: propagated.from_entry(entry, key) for key, entry in (data.get("monte_carlo") or {}).items()},
    )


def _run_back(data: Mapping[str, Any]) -> dict[str, Any]:
    """What is told of the run; its rows and seconds are numbers where they stand."""
    run = dict(data)
    for key in ("rows", "seconds"):
        if key in run and (isinstance(run[key], bool) or not isinstance(run[key], int | float)):
            raise TypeError(f"run.{key} is no number")
    return run


def input_back(entry: Mapping[str, Any]) -> Input:
    """An input back from the result object."""
    depth, quantity = entry.get("depth_mm"), str(entry["quantity"])
    return Input(
        key=str(entry["key"]),
        label=str(entry["label"]),
        quantity=quantity,
        value=to_si(_number(entry.get("value")), str(entry.get("unit", "1")), quantity),
        column=str(entry.get("column", "")),
        depth=None if depth is None else to_si(float(depth), "mm", "depth"),
    )


def figure_back(entry: Mapping[str, Any], key: str) -> Measured:
    """One figure back from the result object."""
    unit = str(entry["unit"])
    return Measured(
        value=to_si(_number(entry["value"]), unit, key),
        u=_number(entry["u"]) * conversion(unit, key).factor,
        dof=_number(entry["dof"], missing=math.inf),
    )


def line_back(line: Mapping[str, Any], key: str, unit: str) -> BudgetLine:
    """One line of a budget back from the result object."""
    sensitivity = line.get("sensitivity")
    return BudgetLine(
        source=str(line["source"]),
        u=_number(line["u"]) * conversion(unit, key).factor,
        share=_number(line["share"]),
        kind=str(line.get("kind", "B")),
        dof=_number(line.get("dof"), missing=math.inf),
        sensitivity=None if sensitivity is None else float(sensitivity),
        common=str(line.get("common", "")),
    )


def _settled_back(data: Mapping[str, Any]) -> Settled:
    return Settled(
        found=bool(data["found"]),
        start_s=_number(data.get("start_s")),
        end_s=_number(data.get("end_s")),
        rows=int(data.get("rows", 0)),
        effective_rows=_number(data.get("effective_rows")),
        slope=to_si(_number(data.get("slope_K_per_min")), _SLOPE, "temperature_rate"),
        chosen_by_hand=bool(data.get("chosen_by_hand", False)),
    )


def _plateau_back(data: Mapping[str, Any]) -> Plateau:
    figures = {key: figure_back(entry, key) for key, entry in data["figures"].items()}
    return Plateau(_settled_back(data), figures, bool(data["nominal"]))


def _press_back(data: Mapping[str, Any]) -> Press | None:
    if not data:
        return None
    before, end = data.get("gap_before_um"), data.get("gap_end_um")
    return Press(
        gap_before=None if before is None else to_si(float(before), "um", "gap"),
        gap_end=None if end is None else to_si(float(end), "um", "gap"),
        time_to_end=None if data.get("time_to_end_s") is None else float(data["time_to_end_s"]),
        exponent=None if data.get("exponent") is None else float(data["exponent"]),
    )


def _number(value: object, *, missing: float = math.nan) -> float:
    return missing if value is None else float(str(value))
