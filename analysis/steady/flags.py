"""What a reader must know about a run: the checks of its conditions, its zero, its heat and its gap."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import timedelta

import numpy as np

from analysis.plausibility import bounds
from analysis.quantities import QUANTITIES
from analysis.results import Array, Flag, Severity
from analysis.steady.case import Case
from analysis.steady.heat import NEEDED
from analysis.steady.plateaus import (
    HEATED,
    NOMINAL,
    highest_power,
    levels_of,
    local_levels,
    mean_power,
    tolerance,
    watch,
)
from analysis.steady.screening import clock_flags, missing_flags, stuck_flags
from analysis.steady.settling import window_slopes
from analysis.steady.window import Window
from analysis.units import from_si, shown

BLOCKS, CAUTIONS = Severity.BLOCKS, Severity.CAUTIONS
GAP_FIGURES = ("gap", "apparent_conductivity")
_IMBALANCE = 0.05  # share of the mean heat below which a difference never counts
_NEARLY = 0.98  # of min_duration: the last row's own interval is not in the difference of two times
_DEAD = 0.10  # share of the others' median
_DEAD_SECONDS = 60.0
_CONDITION_FLAGS = {
    "heater_power": "power_off_nominal",
    "force": "force_off_nominal",
    "coolant_temperature": "coolant_off_nominal",
}


def find_flags(case: Case) -> tuple[Flag, ...]:
    """Every flag of a case, in the order of the checks."""
    return tuple(flag for check in _CHECKS for flag in check(case))


def text(value: float, quantity: str, *, digits: int = 4) -> str:
    """An SI value in the unit its quantity is shown in."""
    unit = QUANTITIES[quantity].shown
    return f"{shown(value, quantity):.{digits}g} {unit}"


def _per_minute(slope: float) -> str:
    return f"{from_si(slope, 'K/min', 'temperature_rate'):.3g} K/min"


def not_settled(case: Case) -> Iterator[Flag]:
    """No plateau at nominal power, or a window chosen by hand that is none: what was found, against the limits."""
    setup = case.run.setup
    if case.by_hand and case.window is not None:
        yield from _unsettled_by_hand(case, case.window)
    if case.chosen is not None:
        return
    found = _closest(case)
    message = (
        f"no plateau of {setup.min_duration:.4g} s at {_wanted_power(case)} with the temperature rise under "
        f"{_per_minute(setup.max_slope)}"
    )
    yield Flag("not_settled", BLOCKS, f"{message}: {found}")


def _unsettled_by_hand(case: Case, window: Window) -> Iterator[Flag]:
    setup = case.run.setup
    slope = window.together.trend(window.mean("hot_temperature") - window.mean("cold_temperature"))
    if abs(slope) > setup.max_slope or window.end - window.start < _NEARLY * setup.min_duration:
        yield Flag(
            "not_settled",
            BLOCKS,
            f"the window chosen by hand lasts {window.end - window.start:.4g} s with the temperature rise at "
            f"{_per_minute(slope)}; {setup.min_duration:.4g} s under {_per_minute(setup.max_slope)} are asked for",
        )


def _wanted_power(case: Case) -> str:
    nominal = case.run.setup.nominal.get("heater_power")
    return "heating power" if nominal is None else f"the nominal power of {text(nominal, 'heater_power')}"


def _closest(case: Case) -> str:
    """The slopes in the stillest window of the segment that was meant, each against its limit."""
    rows = _heated_rows(case)
    if rows is None:
        return "the run is never heated"
    run, setup = case.run, case.run.setup
    grid, levels = local_levels(run, rows)
    if grid.bounds[-1] - grid.bounds[0] < setup.min_duration * (1.0 - 1e-6):
        return f"it lasts only {float(grid.bounds[-1] - grid.bounds[0]):.4g} s"
    watched = watch(levels, setup.max_slope)
    slopes = [
        window_slopes(series, centres=grid.centres, bounds=grid.bounds, window=setup.min_duration) for series in watched
    ]
    worst = np.max([np.abs(found.slope) / series.limit for found, series in zip(slopes, watched, strict=True)], axis=0)
    best = int(np.argmin(worst))
    parts = [
        f"{series.name} {_per_minute(float(found.slope[best]))} against {_per_minute(series.limit)}"
        for found, series in zip(slopes, watched, strict=True)
    ]
    return f"at best, from {grid.bounds[best]:.5g} s to {grid.bounds[slopes[0].ends[best]]:.5g} s, " + ", ".join(parts)


def _heated_rows(case: Case) -> slice | None:
    """The last segment at nominal power, else the longest heated one."""
    run = case.run
    best: tuple[bool, float, slice] | None = None
    for segment in case.search.segments:
        rows = slice(segment.first, segment.last)
        seconds = float(run.time[rows.stop - 1] - run.time[rows.start])
        power = mean_power(run, rows) if "heater_power" in run.levels else None
        if power is not None and power <= HEATED * highest_power(run):
            continue
        nominal = run.setup.nominal.get("heater_power")
        meant = nominal is not None and power is not None and abs(power - nominal) <= tolerance(run, "heater_power")
        if best is None or (meant, seconds) >= best[:2]:
            best = (meant, seconds, rows)
    return None if best is None else best[2]


def off_nominal(case: Case) -> Iterator[Flag]:
    """Conditions of the plateau outside their tolerance."""
    if case.chosen is None:
        return
    run = case.run
    for name, inside in case.chosen.nominal.items():
        if inside or name not in run.setup.tolerance:
            continue
        quantity = NOMINAL[name]
        yield Flag(
            _CONDITION_FLAGS[name],
            BLOCKS,
            f"{name.replace('_', ' ')} {text(case.chosen.conditions[quantity], quantity, digits=5)} on the plateau, "
            f"nominal {text(run.setup.nominal[name], quantity, digits=5)} "
            f"within {_tolerance_text(run.setup.tolerance[name], quantity)}",
        )


def _tolerance_text(value: float, quantity: str) -> str:
    if quantity == "coolant_in":
        return f"{value:.3g} K"
    return text(value, quantity, digits=3)


def coolant_unsteady(case: Case) -> Iterator[Flag]:
    """The coolant inlet moves more than its tolerance over the plateau."""
    limit = case.run.setup.tolerance.get("coolant_temperature")
    if case.rows is None or limit is None or "coolant_in" not in case.run.levels:
        return
    _, blocks = levels_of(case.run, case.rows, "coolant_in", blocks=24)
    moved = float(np.ptp(blocks)) - _noise_range(blocks)
    if moved > limit:
        yield Flag(
            "coolant_unsteady",
            CAUTIONS,
            f"the coolant inlet moved {moved:.3g} K over the plateau, more than its tolerance of {limit:.3g} K",
        )


def _noise_range(blocks: Array) -> float:
    """How far apart noise alone puts the highest and the lowest of the block means."""
    scatter = 1.4826 * float(np.median(np.abs(np.diff(blocks, n=2)))) / math.sqrt(6.0)
    return 2.0 * scatter


def heater_channel_dead(case: Case) -> Iterator[Flag]:
    """One heater channel under a tenth of the others' median while they heat, from the plateau on.

    A channel that only starts later than the others, before the plateau, is not dead.
    """
    signals = case.run.signals.get("heater_power", ())
    if len(signals) < 2:
        return
    counts = case.run.grid.edges[1:] > (0 if case.rows is None else case.rows.start)
    blocks = np.nan_to_num(case.run.heaters)
    lasting = np.diff(case.run.grid.bounds)
    for number, signal in enumerate(signals):
        others = np.median(np.delete(blocks, number, axis=0), axis=0)
        heating = counts & (others > _COUNTS * float(others.max()))
        dead = heating & (blocks[number] < _DEAD * others)
        seconds = float(lasting[dead].sum())
        if others.max() > 0.0 and seconds >= min(_DEAD_SECONDS, 0.5 * float(lasting[heating].sum())):
            given, median = float(np.mean(blocks[number][dead])), float(np.mean(others[dead]))
            yield Flag(
                "heater_channel_dead",
                BLOCKS,
                f"heater channel '{signal.reading.column}' gives {text(given, 'heater_power')} for {seconds:.4g} s "
                f"while the others' median is {text(median, 'heater_power')}",
            )


_COUNTS = 0.2  # share of their highest power above which the other channels heat


def zero_flags(case: Case) -> Iterator[Flag]:
    """No zero, a stale one, or one that drifted."""
    setup = case.run.setup
    if "gap" not in case.run.signals:
        return
    if case.reference is None:
        message = "neither a zero run nor a zero reading is given: the gap cannot be counted from anything"
        yield Flag("zero_missing", BLOCKS, message, GAP_FIGURES)
        return
    zero, start = case.reference.zero, case.run.start
    if setup.zero_max_age is not None and zero.instant is not None and start is not None:
        age = start - zero.instant
        if age > setup.zero_max_age:
            yield Flag(
                "zero_stale",
                BLOCKS,
                f"the zero was taken {_hours(age)} before the run began; {_hours(setup.zero_max_age)} are allowed",
                GAP_FIGURES,
            )
    drift = case.reference.drift
    if setup.zero_max_drift is not None and drift is not None and abs(drift) > setup.zero_max_drift:
        yield Flag(
            "zero_drift",
            BLOCKS,
            f"the zero moved by {text(drift, 'gap', digits=3)} from before to after the run; "
            f"{text(setup.zero_max_drift, 'gap', digits=3)} are allowed",
            GAP_FIGURES,
        )


def _hours(age: timedelta) -> str:
    return f"{age / timedelta(hours=1):.3g} h"


def gap_flags(case: Case) -> Iterator[Flag]:
    """A gap that does not stand above its uncertainty, or that still moves."""
    if case.figures is None or case.window is None or "gap" not in case.figures.measured:
        return
    gap = case.figures.measured["gap"]
    if not gap.value > gap.expanded:
        yield Flag(
            "gap_below_resolution",
            CAUTIONS,
            f"the gap of {text(gap.value, 'gap', digits=3)} is not above its expanded uncertainty of "
            f"{text(gap.expanded, 'gap', digits=2)}; no conductivity is given",
            GAP_FIGURES,
        )
    change = case.window.together.trend(case.figures.estimates["gap"]) * case.window.together.seconds
    if abs(change) > gap.expanded:
        yield Flag(
            "gap_moving",
            CAUTIONS,
            f"the gap changed by {text(change, 'gap', digits=3)} over the plateau, more than its expanded uncertainty "
            f"of {text(gap.expanded, 'gap', digits=2)}",
            GAP_FIGURES,
        )


def temperatures_swapped(case: Case) -> Iterator[Flag]:
    """The hot side is the colder one while heat is said to flow from it."""
    if case.figures is None or "temperature_rise" not in case.figures.measured:
        return
    rise = case.figures.measured["temperature_rise"]
    if rise.value + rise.expanded < 0.0 and abs(case.figures.heat.flow.value) > 0.0:
        yield Flag(
            "temperatures_swapped",
            BLOCKS,
            f"the hot face is {-rise.value:.3g} K colder than the cold face: hot and cold columns are mixed up, or a "
            "sensor's sign or offset is wrong",
        )


def heat_imbalance(case: Case) -> Iterator[Flag]:
    """Coolant and electrical heat disagree beyond their combined expanded uncertainty and five per cent."""
    if case.figures is None or "heat_balance" not in case.figures.measured:
        return
    found = case.figures.measured["heat_balance"]
    heat = case.figures.heat
    if heat.other is None or heat.coolant is None:
        return
    if abs(found.value) > max(found.expanded, _IMBALANCE):
        yield Flag(
            "heat_imbalance",
            BLOCKS,
            f"the heater side gives {text(heat.other.value, 'heat_flow')}, "
            f"the coolant {text(heat.coolant.value, 'heat_flow')}: "
            f"a difference of {text(found.value, 'heat_balance', digits=3)}, beyond its expanded uncertainty of "
            f"{text(found.expanded, 'heat_balance', digits=2)} and beyond {text(_IMBALANCE, 'heat_balance', digits=2)}",
        )


def implausible_conductivity(case: Case) -> Iterator[Flag]:
    """Apparent conductivity outside what its kind of material can reach."""
    if case.figures is None or "apparent_conductivity" not in case.figures.measured:
        return
    kind = case.run.setup.kind
    low, high = bounds(kind)
    value = case.figures.measured["apparent_conductivity"].value
    if not low <= value <= high:
        yield Flag(
            "implausible_conductivity",
            BLOCKS,
            f"an apparent conductivity of {text(value, 'apparent_conductivity')} is outside "
            f"{low:.3g} to {high:.3g} W/(m*K), "
            f"what {f'a {kind}' if kind else 'any layer'} can reach",
            ("apparent_conductivity",),
        )


def screening(case: Case) -> Iterator[Flag]:
    """Stuck sensors, missing samples, an irregular clock."""
    if case.rows is not None:
        yield from stuck_flags(case.run, case.rows, used=_used(case))
        yield from missing_flags(case.run, case.rows, used=_used(case))
    yield from clock_flags(case.run)


def _used(case: Case) -> tuple[str, ...]:
    """The quantities the figures are made from."""
    extra = ("heater_power", "coolant_in", "coolant_out", "coolant_flow", "ambient_temperature", "gap", "force")
    needed = NEEDED[case.run.setup.heat_flow]
    return tuple(dict.fromkeys((*needed, *(name for name in extra if name in case.run.signals))))


_CHECKS: tuple[Callable[[Case], Iterator[Flag]], ...] = (
    not_settled,
    zero_flags,
    gap_flags,
    temperatures_swapped,
    heat_imbalance,
    off_nominal,
    coolant_unsteady,
    heater_channel_dead,
    screening,
    implausible_conductivity,
)
