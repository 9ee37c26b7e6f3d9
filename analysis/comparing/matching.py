"""Which results may be compared: matching conditions, and in words why a result does not match.

A result is never dropped silently and never scaled to fit. Each reason carries the value found, what is allowed,
and the nearest change that would make the result match.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Flag, Measured, Severity
from analysis.units import shown, shown_difference

LABELS: Mapping[str, tuple[str, str]] = {
    # condition -> what it is called in a sentence, and the quantity whose unit it is shown in ("" for words)
    "method": ("method", ""),
    "rig": ("rig", ""),
    "surfaces": ("surfaces", ""),
    "gap_mode": ("gap mode", ""),
    "area": ("area", "area"),
    "pressure": ("pressure", "pressure"),
    "force": ("force", "force"),
    "heat_flow": ("heat flow", "heat_flow"),
    "heater_power": ("heater power", "heater_power"),
    "coolant_temperature": ("coolant", "coolant_temperature"),
    "mean_temperature": ("mean temperature", "temperature"),
}


@dataclass(frozen=True, slots=True)
class Result:
    """One result as a comparison sees it: what was measured, on what, under which conditions, with which flags.

    `conditions` holds SI numbers and words by the keys of `LABELS`; `withheld` reasons from outside (an open case, an
    exploratory batch); `digest` the SHA-256 of the run's file, by which one file read twice is known.
    """

    id: str
    sample: str
    application: str
    figures: Mapping[str, Measured]
    conditions: Mapping[str, float | str] = field(default_factory=dict)
    budget: Mapping[str, tuple[BudgetLine, ...]] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()
    overridden: tuple[str, ...] = ()  # codes of flags that a named person set aside with a reason
    withheld: tuple[str, ...] = ()
    digest: str = ""


@dataclass(frozen=True, slots=True)
class Condition:
    """One matching key: a number within a tolerance (`tolerance` in SI, or `relative` to the nominal), or words.

    `allowed` lists the words that count as the same (a method version and those declared equivalent to it).
    """

    key: str
    nominal: float | None = None
    tolerance: float = 0.0
    relative: float = 0.0
    allowed: tuple[str, ...] = ()

    @property
    def width(self) -> float:
        """The tolerance in SI: the wider of the stated and the relative one."""
        return max(self.tolerance, self.relative * abs(self.nominal or 0.0))


@dataclass(frozen=True, slots=True)
class Conditions:
    """What "matched" means: `declared` by a method, or found among the results themselves."""

    keys: tuple[Condition, ...] = ()
    declared: bool = True

    @property
    def authority(self) -> str:
        """Who says so, in a sentence."""
        return "the method allows" if self.declared else "the others have"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a result is left out: `message` with numbers, `change` the nearest change that would let it in.

    `brief` sets the two values side by side, for the line that refuses a ranking.
    """

    key: str
    message: str
    change: str = ""
    brief: str = ""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A result that is not compared, with every reason."""

    id: str
    sample: str
    application: str
    value: Measured | None
    reasons: tuple[Reason, ...]


def match(result: Result, *, conditions: Conditions, figure: str) -> tuple[Reason, ...]:
    """Every reason why `result` cannot be compared by `figure` under `conditions`; none where it can."""
    reasons = [*_identity(result), *_figure(result, figure)]
    for condition in conditions.keys:
        reason = _mismatch(result.conditions.get(condition.key), condition, conditions.authority)
        if reason is not None:
            reasons.append(reason)
    reasons += [Reason(flag.code, flag.message, _FLAG_CHANGE) for flag in blocking_flags(result)]
    reasons += [
        Reason("withheld", why, "include it with a reason, which the report will print") for why in result.withheld
    ]
    return tuple(reasons)


def split(
    results: Iterable[Result], *, conditions: Conditions, figure: str
) -> tuple[tuple[Result, ...], tuple[LeftOut, ...]]:
    """The results that match, and those left out with their reasons, each in the order given."""
    used, left_out = [], []
    for result in results:
        reasons = match(result, conditions=conditions, figure=figure)
        if reasons:
            left_out.append(leave_out(result, reasons, figure=figure))
        else:
            used.append(result)
    return tuple(used), tuple(left_out)


def leave_out(result: Result, reasons: tuple[Reason, ...], *, figure: str) -> LeftOut:
    """`result` as an entry of the list of those left out."""
    return LeftOut(result.id, result.sample, result.application, result.figures.get(figure), reasons)


def blocking_flags(result: Result) -> tuple[Flag, ...]:
    """The flags that keep a result out of rankings and that nobody has set aside."""
    return tuple(
        flag for flag in result.flags if flag.severity is Severity.BLOCKS and flag.code not in result.overridden
    )


_FLAG_CHANGE = "measure again, or have the flag overridden by name with a reason"


def _identity(result: Result) -> list[Reason]:
    if result.sample:
        return []
    return [Reason("sample", "no sample is named", "name the sample in the setup, or register the run's application")]


def _figure(result: Result, figure: str) -> list[Reason]:
    measured = result.figures.get(figure)
    if measured is not None and math.isfinite(measured.value):
        return []
    label = QUANTITIES[figure].label.lower() if figure in QUANTITIES else figure
    return [Reason("figure", f"the run gives no {label}", "a run whose flags let the figure be computed")]


def _mismatch(found: float | str | None, condition: Condition, authority: str) -> Reason | None:
    if condition.nominal is None:
        return _other_words(found, condition, authority)
    if isinstance(found, int | float) and math.isfinite(found):
        return _out_of_tolerance(float(found), condition, authority)
    label, _ = LABELS[condition.key]
    allowed = _allowed(condition, condition.nominal)
    return Reason(condition.key, f"{label} not known, {authority} {allowed}", f"a run that records {label}")


def _other_words(found: float | str | None, condition: Condition, authority: str) -> Reason | None:
    if found in condition.allowed or (not condition.allowed and found is None):
        return None
    label, _ = LABELS[condition.key]
    allowed = " or ".join(condition.allowed) or "none stated"
    shown_word = found or "not stated"
    brief = f"{label} {shown_word} vs {allowed}"
    return Reason(
        condition.key, f"{label} {shown_word}, {authority} {allowed}", f"{label} {allowed} would match", brief
    )


def _out_of_tolerance(found: float, condition: Condition, authority: str) -> Reason | None:
    nominal, width = condition.nominal or 0.0, condition.width
    beyond = abs(found - nominal) - width
    if beyond <= 1e-9 * max(abs(nominal), width):
        return None
    label, quantity = LABELS[condition.key]
    digits = _decimals(found, condition)
    value = f"{shown(found, quantity):.{digits}f}"
    unit = QUANTITIES[quantity].shown
    message = f"{label} {value} {unit}, {authority} {_allowed(condition, found)}"
    side = "lower" if found > nominal else "higher"
    step = _round_up(shown_difference(beyond, quantity), digits)
    change = f"{label} {step:.{digits}f} {difference_unit(quantity)} {side} would match"
    both = " vs ".join(_short(shown(one, quantity), digits) for one in sorted((found, nominal)))
    brief = f"{label} {both} {unit}, tolerance {_tolerance(condition)}"
    return Reason(condition.key, message, change, brief)


def _short(value: float, digits: int) -> str:
    """`value` to `digits` decimals, without noughts at the end."""
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _allowed(condition: Condition, found: float) -> str:
    _, quantity = LABELS[condition.key]
    digits = _decimals(found, condition)
    nominal = f"{shown(condition.nominal or 0.0, quantity):.{digits}f}"
    width = shown_difference(condition.width, quantity)
    share = f" ({_tolerance(condition)})" if condition.relative else ""
    return f"{nominal} ± {width:.{digits}f}{share}"


def _tolerance(condition: Condition) -> str:
    _, quantity = LABELS[condition.key]
    if condition.relative and condition.width > condition.tolerance:
        return f"{condition.relative * 100:.3g} %"
    return f"{shown_difference(condition.width, quantity):.3g} {difference_unit(quantity)}"


def difference_unit(quantity: str) -> str:
    """The unit a difference of a quantity is shown in: K for temperatures, else the quantity's own."""
    entry = QUANTITIES[quantity]
    return entry.unit if entry.dimension == "temperature" else entry.shown


def _decimals(found: float, condition: Condition) -> int:
    """As many decimals as the tolerance has, and enough that a value outside it does not look inside."""
    _, quantity = LABELS[condition.key]
    width = shown_difference(condition.width, quantity)
    value, nominal = shown(found, quantity), shown(condition.nominal or 0.0, quantity)
    digits = max(0, -math.floor(math.log10(width))) if width > 0.0 else 0
    outside = abs(value - nominal) > width
    while digits < 9 and not _plain_at(digits, width, abs(value - nominal), outside=outside):
        digits += 1
    return digits


def _plain_at(digits: int, width: float, distance: float, *, outside: bool) -> bool:
    exact = abs(round(width, digits) - width) <= 0.002 * width
    return exact and (not outside or round(distance, digits) > round(width, digits))


def _round_up(value: float, digits: int) -> float:
    scale = 10.0**digits
    return math.ceil(value * scale * (1.0 - 1e-9)) / scale
