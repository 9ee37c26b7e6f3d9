"""A figure by Monte Carlo as the result object and people see it, and which of the two intervals is used, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from analysis.quantities import QUANTITIES
from analysis.results import Flag, Propagated, Severity
from analysis.units import conversion, shown, shown_difference, to_si

CODE = "linear_law_doubtful"


def to_entry(one: Propagated, key: str) -> dict[str, Any]:
    """One figure by Monte Carlo as the result object has it, in the unit people see; `used` says which interval is."""
    ends = {"low": one.low, "high": one.high, "linear_low": one.linear_low, "linear_high": one.linear_high}
    return {
        "value": _finite(shown(one.value, key)),
        "unit": QUANTITIES[key].shown,
        "u": _finite(shown_difference(one.u, key)),
        **{name: _finite(shown(value, key)) for name, value in ends.items()},
        "shortest": [_finite(shown(end, key)) for end in one.shortest],
        "confidence": one.confidence,
        "trials": one.trials,
        "seed": one.seed,
        "digits": one.digits,
        "tolerance": _finite(shown_difference(one.tolerance, key)),
        "doubt": _finite(shown_difference(one.doubt, key)),
        "settled": one.settled,
        "agrees": one.agrees,
        "used": "linear law" if one.agrees else "Monte Carlo",
        "sentence": sentence(one, key),
    }


def from_entry(entry: Mapping[str, Any], key: str) -> Propagated:
    """The figure back in SI."""
    unit = str(entry["unit"])
    factor = conversion(unit, key).factor

    def end(name: str) -> float:
        return _back(entry.get(name), unit, key)

    return Propagated(
        value=end("value"),
        u=_number(entry.get("u")) * factor,
        low=end("low"),
        high=end("high"),
        shortest=(_back(entry["shortest"][0], unit, key), _back(entry["shortest"][1], unit, key)),
        trials=int(entry["trials"]),
        seed=int(entry["seed"]),
        digits=int(entry["digits"]),
        confidence=float(entry["confidence"]),
        tolerance=_number(entry.get("tolerance")) * factor,
        doubt=_number(entry.get("doubt")) * factor,
        settled=bool(entry["settled"]),
        linear_low=end("linear_low"),
        linear_high=end("linear_high"),
    )


def sentence(one: Propagated, key: str) -> str:
    """What the trials found, whether the linear law agrees, which interval is used, and why."""
    unit = QUANTITIES[key].shown
    places = _places(shown_difference(one.tolerance, key))

    def written(value: float) -> str:
        return f"{shown(value, key):.{places}f}"

    found = (
        f"{100.0 * one.confidence:g} % of {one.trials} trials (seed {one.seed}) lie from {written(one.low)} to "
        f"{written(one.high)} {unit}"
    )
    if not math.isfinite(one.linear_low):
        return f"{found}."
    off = " and ".join(f"{shown_difference(part, key):.2g}" for part in one.apart)
    tolerance = f"{shown_difference(one.tolerance, key):.2g} {unit}"
    if one.agrees:
        within = "within" if max(one.apart) <= one.tolerance else "not surely beyond"
        end = f"the linear law's ends are off by {off}, {within} the tolerance of {tolerance}: the linear law is used"
    else:
        end = (
            f"the linear law gives {written(one.linear_low)} to {written(one.linear_high)}, off by {off}, more than "
            f"the tolerance of {tolerance}: the interval of the trials is used"
        )
    unsettled = "" if one.settled else f"; the trials know their ends to {shown_difference(one.doubt, key):.2g} only"
    return f"{found}; {end}{unsettled}."


def flags_of(found: Mapping[str, Propagated]) -> tuple[Flag, ...]:
    """A caution for each figure whose linear law is off by more than the tolerance."""
    return tuple(
        Flag(CODE, Severity.CAUTIONS, f"{QUANTITIES[key].label}: {sentence(one, key)}", (key,))
        for key, one in found.items()
        if not one.agrees
    )


def lines_of(found: Mapping[str, Propagated]) -> list[str]:
    """The figures by Monte Carlo for a person, a heading before them; nothing where none was asked for."""
    if not found:
        return []
    return ["", "Monte Carlo", *(f"  {QUANTITIES[key].label}: {sentence(one, key)}" for key, one in found.items())]


def _places(tolerance: float) -> int:
    """Decimal places in which half a unit of the last is the tolerance, at least none."""
    return max(-math.floor(math.log10(tolerance * 2.0) + 1e-9), 0) if tolerance > 0.0 else 4


def _back(value: object, unit: str, key: str) -> float:
    return to_si(_number(value), unit, key)


def _number(value: object) -> float:
    return math.nan if value is None else float(str(value))


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
