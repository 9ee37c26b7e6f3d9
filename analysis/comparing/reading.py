"""Results as the command line knows them: the contract's JSON objects, turned into what a comparison needs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, TypedDict, Unpack

from analysis.comparing.matching import LABELS, Condition, Conditions, Result
from analysis.comparing.ranking import Ranking, rank
from analysis.errors import AnalysisError, UnreadableFile, Where
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Flag, Measured, Severity
from analysis.units import conversion, parse_quantity, to_si


class Asked(TypedDict, total=False):
    """What a comparison asks: see `rank`."""

    conditions: Conditions | None
    figure: str
    reference: str | None
    required: int
    confidence: float


def command(results: Sequence[Mapping[str, Any]], *, names: Sequence[str] = (), **asked: Unpack[Asked]) -> Ranking:
    """Rank results as `python -m analysis reduce` prints them, matched among themselves where no `conditions` are told.

    Parameters: `names` of the files they came from, for messages; the rest as for `rank`.
    Raises UnreadableFile, naming the file and the key, for an object that is not such a result.
    """
    labels = [*names, *(f"result {number + 1}" for number in range(len(names), len(results)))]
    read = [read_result(result, name=name) for result, name in zip(results, labels, strict=True)]
    return rank(read, **asked)


def read_question(data: Mapping[str, Any], *, name: str) -> Asked:
    """A question as `question.json` of a data package holds it, ready for `command`: the figure, the conditions in SI.

    Raises UnreadableFile, naming the file, for an object that is no question.
    """
    try:
        return {
            "figure": str(data["figure"]),
            "reference": data.get("reference") or None,
            "required": int(data["required"]),
            "confidence": float(data["confidence"]),
            "conditions": Conditions(tuple(_condition(one) for one in data["conditions"])),
        }
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        message = f"not a question: {type(error).__name__} {error}"
        raise UnreadableFile(message, where=Where(file=name)) from error


def _condition(data: Mapping[str, Any]) -> Condition:
    if data["key"] not in LABELS:
        raise ValueError(f"'{data['key']}' is not a condition")
    nominal = data.get("nominal")
    return Condition(
        key=str(data["key"]),
        nominal=None if nominal is None else float(nominal),
        tolerance=float(data.get("tolerance", 0.0)),
        relative=float(data.get("relative", 0.0)),
        allowed=tuple(str(word) for word in data.get("allowed", ())),
    )


def read_result(data: Mapping[str, Any], *, name: str) -> Result:
    """One result object as a `Result`; UnreadableFile names `name` and the key that is not as it should be."""
    try:
        return _result(data, name)
    except AnalysisError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        message = f"not a result of a reduction: {type(error).__name__} {error}"
        raise UnreadableFile(message, where=Where(file=name)) from error


def _result(data: Mapping[str, Any], name: str) -> Result:
    for key in ("method", "run", "figures"):
        if not isinstance(data.get(key), Mapping):
            raise UnreadableFile("not a result of a reduction: an object is expected", where=Where(file=name, key=key))
    run, units = data["run"], {key: str(entry["unit"]) for key, entry in data["figures"].items()}
    figures = {key: _measured(entry, key, name) for key, entry in data["figures"].items() if key in QUANTITIES}
    budget = {
        key: tuple(_line(line, units[key], key) for line in lines)
        for key, lines in data.get("budget", {}).items()
        if key in figures
    }
    return Result(
        id=str(run.get("code") or run.get("file") or name),
        sample=str(run.get("sample") or ""),
        application=str(run.get("application") or ""),
        figures=figures,
        conditions=_conditions(data, figures) | _stated(data),
        budget=budget,
        flags=tuple(_flag(flag) for flag in data.get("flags", ())),
        overridden=tuple(str(code) for code in data.get("overridden", ())),
        withheld=tuple(str(why) for why in data.get("withheld", ())),
        digest=str(run.get("sha256") or ""),
    )


def _stated(data: Mapping[str, Any]) -> dict[str, float | str]:
    """Conditions that the result states beside its figures, in SI, such as the surfaces of the blocks."""
    found = data.get("conditions", {})
    return {str(key): value if isinstance(value, str) else float(value) for key, value in found.items()}


def _measured(entry: Mapping[str, Any], key: str, name: str) -> Measured:
    unit, where = str(entry["unit"]), Where(file=name, key=f"figures.{key}")
    factor = conversion(unit, key, where=where).factor
    value = to_si(_number(entry["value"], math.nan), unit, key, where=where)
    return Measured(value, factor * _number(entry.get("u"), math.nan), _number(entry.get("dof"), math.inf))


def _line(line: Mapping[str, Any], unit: str, key: str) -> BudgetLine:
    return BudgetLine(
        source=str(line["source"]),
        u=conversion(unit, key).factor * _number(line["u"], math.nan),
        share=_number(line.get("share"), math.nan),
        kind=str(line.get("kind", "B")),
        dof=_number(line.get("dof"), math.inf),
        sensitivity=None if line.get("sensitivity") is None else float(line["sensitivity"]),
        common=str(line.get("common") or ""),
    )


def _flag(flag: Mapping[str, Any]) -> Flag:
    figures = tuple(str(key) for key in flag.get("figures", ()))
    return Flag(str(flag["code"]), Severity(str(flag["severity"])), str(flag["message"]), figures)


def _conditions(data: Mapping[str, Any], figures: Mapping[str, Measured]) -> dict[str, float | str]:
    rig = data.get("setup", {}).get("rig", {})
    method = data["method"]
    found: dict[str, float | str | None] = {
        "method": f"{method['name']} {str(method.get('version', '')).split('.')[0]}".strip(),
        "rig": str(data["run"].get("rig") or rig.get("name") or ""),
        "area": _area(rig, figures),
        "mean_temperature": _mean(figures.get("hot_temperature"), figures.get("cold_temperature")),
    }
    for key in ("pressure", "heat_flow", "coolant_temperature"):
        found[key] = figures[key].value if key in figures else None
    return {key: value for key, value in found.items() if value not in (None, "")}


def _area(rig: Mapping[str, Any], figures: Mapping[str, Measured]) -> float | None:
    """The contact area: as the figures have it, else as the setup states it."""
    if "heat_flow" in figures and "heat_flux" in figures and figures["heat_flux"].value:
        return figures["heat_flow"].value / figures["heat_flux"].value
    stated = rig.get("area")
    text = stated.get("value") if isinstance(stated, Mapping) else stated
    return parse_quantity(str(text), "area") if text else None


def _mean(hot: Measured | None, cold: Measured | None) -> float | None:
    return None if hot is None or cold is None else 0.5 * (hot.value + cold.value)


def _number(value: object, missing: float) -> float:
    """A number of a JSON object; infinity is written as null or as text there."""
    return missing if value is None else float(str(value))
