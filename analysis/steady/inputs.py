"""What the figures of a window were made from, recorded so that they can be worked out again by hand."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime

from analysis.quantities import QUANTITIES
from analysis.results import Input
from analysis.statistics.uncertainty import Estimate
from analysis.steady.case import Case
from analysis.steady.coolant import coolant_of
from analysis.steady.gap import Reference, assumed_temperature, drift_share
from analysis.steady.heat import gradient_of, room, sensor_weights
from analysis.steady.storage import stored_heat
from analysis.steady.window import NO_NULLS, Rig, Window
from analysis.steady.zero import block_temperature

_SIDES = ("hot", "cold")


def find_inputs(case: Case, *, nulls: Mapping[str, Estimate], capacity: float | None) -> tuple[Input, ...]:
    """The means of the channels over the counted window, and every other number that enters its figures."""
    if case.window is None:
        return ()
    return inputs_of(
        case.rig,
        window=case.window,
        reference=case.reference,
        start=case.run.start,
        capacity=capacity,
        nulls=nulls,
    )


def inputs_of(
    rig: Rig,
    *,
    window: Window,
    reference: Reference | None,
    start: datetime | None,
    capacity: float | None,
    nulls: Mapping[str, Estimate] = NO_NULLS,
) -> tuple[Input, ...]:
    """The means of the channels over one window of a run, and every other number that enters its figures."""
    found = [*_means(window, nulls), *_heat(rig, window, capacity), *_coolant(rig, window)]
    if reference is not None and window.has("gap"):
        found += _gap(window, reference, start=start)
    return tuple(found)


def _means(window: Window, nulls: Mapping[str, Estimate]) -> Iterator[Input]:
    for quantity, estimates in window.means.items():
        members = zip(window.columns[quantity], window.depths[quantity], estimates, strict=True)
        for number, (column, depth, estimate) in enumerate(members, start=1):
            null = nulls[column].value if column in nulls else 0.0
            label = f"{QUANTITIES[quantity].label}, mean of '{column}'"
            yield Input(f"{quantity}.{number}", label, quantity, estimate.value + null, column, depth or None)
            if column in nulls:
                what = f"'{column}' above the mean of both blocks on the isothermal zero run"
                yield Input(f"null.{quantity}.{number}", what, "temperature_difference", null, column)


def _heat(rig: Rig, window: Window, capacity: float | None) -> Iterator[Input]:
    """The room where it was not recorded, the heat stored, and the weights of a meter bar's sensors."""
    if not window.has("ambient_temperature"):
        yield Input("room", "Room temperature, taken for it was not recorded", "temperature", room(window).value)
    stored = stored_heat(window, capacity=capacity)
    if stored is not None:
        yield Input("stored", "Heat that still warms the hot block", "power", stored.value)
    if rig.setup.heat_flow != "meter_bar":
        return
    for side in _SIDES:
        quantity = f"{side}_temperature"
        gradient = gradient_of(window, side)[1]
        if gradient is None:
            continue
        for number, weight in enumerate(sensor_weights(window.means[quantity]), start=1):
            yield Input(f"weight.{quantity}.{number}", f"Weight of {side} sensor {number}, 1 / u^2", "ratio", weight)
        variance = math.fsum((slope * source.u) ** 2 for source, slope in gradient.gradient.items())
        weight = 1.0 / variance if variance > 0.0 else math.nan
        yield Input(f"weight.{side}", f"Weight of the {side} block's gradient, 1 / u^2", "ratio", weight)


def _coolant(rig: Rig, window: Window) -> Iterator[Input]:
    if not window.has("coolant_in", "coolant_out", "coolant_flow"):
        return
    cool, warm = window.mean("coolant_in").value, window.mean("coolant_out").value
    name = rig.setup.coolant
    liquid = coolant_of(name, rig.setup.coolant_share_u)
    if liquid.is_liquid(cool) and liquid.is_liquid(warm):
        rise = liquid.enthalpy(warm)[0] - liquid.enthalpy(cool)[0]
        yield Input("coolant.density", f"Density of {name} at the inlet", "density", liquid.density(cool)[0])
        yield Input("coolant.enthalpy_rise", f"Enthalpy of {name}, outlet less inlet", "specific_energy", rise)


def _gap(window: Window, reference: Reference, *, start: datetime | None) -> Iterator[Input]:
    yield Input("zero.reading", "Reading on closed blocks", "zero_reading", reference.zero.reading.value)
    warm = block_temperature(window)
    if warm is not None:
        cool = reference.zero.temperature
        label = "Mean temperature of the blocks at the zero" + ("" if cool else ", taken for it was not recorded")
        value = (cool or assumed_temperature(window, warm)).value
        yield Input("zero.temperature", label, "temperature", value)
    if reference.after is not None and reference.drift is not None:
        share = drift_share(reference, window=window, start=start)
        yield Input("zero.drift", "How far the zero moved until after the run", "length", reference.drift)
        yield Input("zero.share", "Share of the drift up to the window", "ratio", 0.5 if share is None else share)
