"""Heat flow through the layer and the temperatures of its two faces, by the rig's method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.errors import BadSetup, Where
from analysis.setup import RigSetup
from analysis.statistics.uncertainty import Estimate, Source, total, value_of, weighted_mean
from analysis.steady.coolant import Mixture, Water, coolant_of
from analysis.steady.window import Rig, Window
from analysis.units import to_si

NEEDED = {
    "electrical": ("heater_power", "hot_temperature", "cold_temperature"),
    "meter_bar": ("hot_temperature", "cold_temperature"),
    "coolant": ("coolant_in", "coolant_out", "coolant_flow", "hot_temperature", "cold_temperature"),
}
ROOM = to_si(23.0, "degC", "temperature")  # [K] taken where no channel tells; common practice, no source
ROOM_U = 3.0  # [K] standard uncertainty of that


@dataclass(frozen=True, slots=True)
class Heat:
    """The heat flow [W], both faces [K], and where two ways of finding the heat exist, both of them."""

    flow: Estimate
    hot_face: Estimate
    cold_face: Estimate
    coolant: Estimate | None = None
    other: Estimate | None = None  # what the coolant's heat is held against


def check_setup(setup: RigSetup) -> None:
    """BadSetup where the rig's method lacks a channel or a constant; it names the first.

    Without the area the temperature rise and the heat can still be told, where the sensors lie in the faces.
    """
    quantities = [channel.quantity for channel in setup.channels]
    if {"heater_voltage", "heater_current"} <= set(quantities):
        quantities.append("heater_power")
    for quantity in NEEDED[setup.heat_flow]:
        if quantity not in quantities:
            raise BadSetup(
                f'a rig with heat_flow = "{setup.heat_flow}" needs a channel of {quantity}; none is given',
                where=Where(key="channel"),
            )
    deep = any(channel.depth for channel in setup.channels if channel.quantity.endswith("_temperature"))
    if setup.area is None and (deep or setup.heat_flow == "meter_bar"):
        raise BadSetup(
            "the contact area is missing; sensors below their face need it for the temperatures of the faces",
            where=Where(key="rig.area"),
        )
    if setup.block_conductivity is None and (deep or setup.heat_flow == "meter_bar"):
        raise BadSetup(
            "the conductivity of the blocks is missing; sensors below their face need it",
            where=Where(key="rig.block_conductivity"),
        )
    if setup.heat_flow == "meter_bar" and not any(_depths(setup, side) > 1 for side in ("hot", "cold")):
        raise BadSetup(
            "a meter bar needs sensors at two or more depths in at least one block", where=Where(key="channel.depth")
        )


def _depths(setup: RigSetup, side: str) -> int:
    return len({channel.depth or 0.0 for channel in setup.channels if channel.quantity == f"{side}_temperature"})


def find_heat(rig: Rig, *, window: Window, stored: Estimate | None = None) -> Heat:
    """Heat flow and faces over a window; `stored` is the heat [W] that goes into warming the hot block."""
    method = rig.setup.heat_flow
    coolant = coolant_heat(rig, window, always=method == "coolant")
    if method == "meter_bar":
        return _meter_bar(rig, window, coolant)
    electrical = electrical_heat(rig, window=window, stored=stored) if window.has("heater_power") else None
    flow = coolant if method == "coolant" else electrical
    if flow is None:
        raise BadSetup(f'no heat flow can be found from the channels of a rig with heat_flow = "{method}"')
    flux = flow / rig.constant("area") if rig.setup.area is not None else None
    return Heat(
        flow=flow,
        hot_face=_face(rig, window, side="hot", flux=None if flux is None else -flux),
        cold_face=_face(rig, window, side="cold", flux=flux),
        coolant=coolant,
        other=electrical,
    )


def electrical_heat(rig: Rig, *, window: Window, stored: Estimate | None = None) -> Estimate:
    """Heater power less what the heater block loses to the room and stores.

    Formula: Q = sum of powers - G_loss * (T_block - T_room) - stored.
    """
    flow = total(window.means["heater_power"])
    if rig.setup.loss_conductance.value != 0.0 or rig.setup.loss_conductance.u != 0.0:
        flow = flow - rig.constant("loss_conductance") * (window.mean("hot_temperature") - room(window))
    return flow if stored is None else flow - stored


def room(window: Window) -> Estimate:
    """The room's temperature [K]: of its channel, else a usual room's with a wide uncertainty."""
    if window.has("ambient_temperature"):
        return window.mean("ambient_temperature")
    return Estimate.measured(ROOM, Source("room temperature, not recorded", ROOM_U))


def coolant_heat(rig: Rig, window: Window, *, always: bool = False) -> Estimate | None:
    """Heat the coolant carries away [W]; None where a channel is missing or it is not liquid.

    `always` raises OutOfRange for a coolant that is not liquid instead.
    Formula: Q = rho(T_in) * flow * (h(T_out) - h(T_in)); the flow meter sits in the inlet. The tables of a mixture and
    its share of glycol have uncertainties of their own.
    """
    if not window.has("coolant_in", "coolant_out", "coolant_flow"):
        return None
    cool, warm = window.mean("coolant_in"), window.mean("coolant_out")
    liquid = coolant_of(rig.setup.coolant, rig.setup.coolant_share_u)
    if not (always or (liquid.is_liquid(cool.value) and liquid.is_liquid(warm.value))):
        return None
    mass_flow = cool.through(*liquid.density(cool.value)) * window.mean("coolant_flow")
    rise = warm.through(*liquid.enthalpy(warm.value)) - cool.through(*liquid.enthalpy(cool.value))
    return mass_flow * rise * _tables(rig, liquid, cool=cool.value, warm=warm.value)


def _tables(rig: Rig, liquid: Water | Mixture, *, cool: float, warm: float) -> Estimate:
    """The number one, with what is not known of a mixture's density, heat capacity and share."""
    if isinstance(liquid, Water):
        return Estimate(1.0)
    gradient = {
        rig.source("coolant density, table", u=liquid.u_density): 1.0,
        rig.source("coolant heat capacity, table", u=liquid.u_heat_capacity): 1.0,
        rig.source("coolant share of glycol", u=liquid.u_share): liquid.by_share(cool, warm),
    }
    return Estimate(1.0, gradient)


def _face(rig: Rig, window: Window, *, side: str, flux: Estimate | None) -> Estimate:
    """Temperature of a face: the mean sensor carried over its depth; `flux` [W/m2] counts positive into the block.

    Formula: T_face = T + flux * depth / k. The hot face is colder than its sensor, the cold face hotter.
    """
    quantity = f"{side}_temperature"
    depths, errors = window.depths[quantity], total(window.depth_errors(quantity))
    depth = sum(depths) / len(depths) + errors * (1.0 / len(depths))
    sensor = window.mean(quantity)
    if (depth.value == 0.0 and not errors.gradient) or flux is None:
        return sensor
    return sensor + flux * depth / rig.constant("block_conductivity")


def _meter_bar(rig: Rig, window: Window, coolant: Estimate | None) -> Heat:
    """Heat flow from the gradients, faces from the straight lines; a block with one depth uses the other's flux."""
    lines = {side: gradient_of(window, side) for side in ("hot", "cold")}
    conductivity, area = rig.constant("block_conductivity"), rig.constant("area")
    signs = {"hot": 1.0, "cold": -1.0}
    flows = [gradient * signs[side] for side, (_, gradient) in lines.items() if gradient is not None]
    gradient = weighted_mean(flows)
    flow = conductivity * area * gradient
    flux = flow / area
    hot, cold = lines["hot"], lines["cold"]
    return Heat(
        flow=flow,
        hot_face=hot[0] if hot[1] is not None else _face(rig, window, side="hot", flux=-flux),
        cold_face=cold[0] if cold[1] is not None else _face(rig, window, side="cold", flux=flux),
        coolant=coolant,
        other=flow,
    )


def gradient_of(window: Window, side: str) -> tuple[Estimate, Estimate | None]:
    """Temperature at depth zero and gradient [K/m] of one block's sensors; no gradient for a single depth.

    A sensor that sits deeper than it is said to by d reads what it would there plus gradient * d.
    """
    sensors, depths = window.means[f"{side}_temperature"], window.depths[f"{side}_temperature"]
    if len(set(depths)) < 2:
        return window.mean(f"{side}_temperature"), None
    weights = sensor_weights(sensors)
    x = np.array(depths)
    centre = float(weights @ x) / float(weights.sum())
    spread = float(weights @ (x - centre) ** 2)
    steep = float(weights @ ((x - centre) * [value_of(sensor) for sensor in sensors])) / spread
    errors = window.depth_errors(f"{side}_temperature")
    sensors = tuple(sensor - error * steep for sensor, error in zip(sensors, errors, strict=True))
    gradient = total(
        sensor * (weight * (depth - centre) / spread)
        for sensor, weight, depth in zip(sensors, weights, depths, strict=True)
    )
    mean = total(sensor * (weight / float(weights.sum())) for sensor, weight in zip(sensors, weights, strict=True))
    return mean - gradient * centre, gradient


def sensor_weights(sensors: Sequence[Estimate]) -> np.ndarray:
    """Weights 1 / u^2 of sensors by their calibrations; all alike where any of them is taken as exact."""
    variances = np.array([sum((s * source.u) ** 2 for source, s in sensor.gradient.items()) for sensor in sensors])
    return 1.0 / variances if (variances > 0.0).all() else np.ones(len(sensors))


def balance(heat: Heat) -> Estimate | None:
    """Heat flow less coolant heat, as a share of their mean; None where only one of them exists."""
    if heat.coolant is None or heat.other is None:
        return None
    mean = 0.5 * (heat.other + heat.coolant)
    return None if value_of(mean) == 0.0 else (heat.other - heat.coolant) / mean
