"""How each figure of a steady reduction is worked out, step by step; the formulas are those of `analysis.steady`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from analysis.results import Measured
from analysis.working.sheet import Sheet

Recipe = Callable[[Sheet], str]
_SHORT = {
    "heater_power": "P",
    "coolant_in": "T_in",
    "coolant_out": "T_out",
    "coolant_flow": "V",
    "ambient_temperature": "T_room",
    "gap": "d",
    "force": "F",
    "hot_temperature": "T_h",
    "cold_temperature": "T_c",
}


def _channels(sheet: Sheet, quantity: str) -> list[str]:
    """The means of a quantity's channels, what a null takes off them taken off; returns their symbols."""
    short = _SHORT[quantity]
    symbols = []
    for number, entry in enumerate(sheet.inputs(quantity), start=1):
        null = sheet.input(f"null.{quantity}.{number}")
        if null is None:
            symbols.append(sheet.take(f"{short}{number}", entry.label, value=entry.value, quantity=quantity))
            continue
        sheet.take(f"{short}{number}_read", entry.label, value=entry.value, quantity=quantity)
        sheet.take(f"null_{short}{number}", null.label, value=null.value, quantity="temperature_difference")
        formula = f"{short}{number}_read - null_{short}{number}"
        symbols.append(sheet.step(f"{short}{number}", "Its null taken off", formula, quantity=quantity))
    if not symbols:
        sheet.needed(f"{quantity}.1")
    return symbols


def _mean(sheet: Sheet, quantity: str) -> str:
    symbols, short = _channels(sheet, quantity), _SHORT[quantity]
    if len(symbols) == 1:
        return symbols[0]
    formula = f"({' + '.join(symbols)}) / {len(symbols)}"
    return sheet.step(short, f"Mean of the {len(symbols)} sensors", formula, quantity=quantity)


def _constant(sheet: Sheet, symbol: str, label: str, *, of: Measured | None, quantity: str) -> str:
    if of is None:
        sheet.needed(quantity)
        return symbol
    return sheet.take(symbol, f"{label}, of the setup", value=of.value, quantity=quantity)


def _area(sheet: Sheet) -> str:
    return _constant(sheet, "A", "Contact area", of=sheet.setup.area, quantity="area")


def _block(sheet: Sheet) -> str:
    return _constant(
        sheet, "k_b", "Conductivity of the blocks", of=sheet.setup.block_conductivity, quantity="block_conductivity"
    )


# --- heat ----------------------------------------------------------------------------------------------------------


def electrical(sheet: Sheet) -> str:
    """Heater power less loss less what is stored."""
    powers = _channels(sheet, "heater_power")
    formula = " + ".join(powers)
    loss = sheet.setup.loss_conductance
    if loss.value != 0.0 or loss.u != 0.0:
        hot, around = _mean(sheet, "hot_temperature"), _room(sheet)
        sheet.take("G_loss", "Loss conductance, of the setup", value=loss.value, quantity="loss_conductance")
        what = "Heat lost to the room"
        formula += " - " + sheet.step("Q_loss", what, f"G_loss * ({hot} - {around})", quantity="power")
    stored = sheet.input("stored")
    if stored is not None:
        formula += " - " + sheet.take("Q_stored", stored.label, value=stored.value, quantity="power")
    return sheet.step("Q_el", "Heater power less what does not cross the layer", formula, quantity="heat_flow")


def _room(sheet: Sheet) -> str:
    taken = sheet.input("room")
    if taken is None:
        return _mean(sheet, "ambient_temperature")
    return sheet.take("T_room", taken.label, value=taken.value, quantity="ambient_temperature")


def carried(sheet: Sheet) -> str:
    """Heat the coolant carries away."""
    flow = _mean(sheet, "coolant_flow")
    _mean(sheet, "coolant_in"), _mean(sheet, "coolant_out")
    density, rise = sheet.needed("coolant.density"), sheet.needed("coolant.enthalpy_rise")
    sheet.take("rho", density.label, value=density.value, quantity="density")
    sheet.take("dh", rise.label, value=rise.value, quantity="specific_energy")
    return sheet.step("Q_cool", "Heat the coolant carries away", f"rho * {flow} * dh", quantity="heat_flow")


def _gradient(sheet: Sheet, side: str) -> tuple[str, str] | None:
    """Gradient and face of one block of a meter bar by a weighted straight line; None for a block with one depth."""
    quantity, s = f"{side}_temperature", side[0]
    entries = sheet.inputs(quantity)
    if len({entry.depth or 0.0 for entry in entries}) < 2:
        return None
    sensors = _channels(sheet, quantity)
    weights, depths = [], []
    for number, entry in enumerate(entries, start=1):
        weight = sheet.needed(f"weight.{quantity}.{number}")
        weights.append(sheet.take(f"w_{s}{number}", weight.label, value=weight.value, quantity="ratio"))
        label = f"Depth of {side} sensor {number}"
        depths.append(sheet.take(f"z_{s}{number}", label, value=entry.depth or 0.0, quantity="depth"))
    total = " + ".join(weights)

    def weighted(values: Sequence[str]) -> str:
        return f"({' + '.join(f'{w} * {v}' for w, v in zip(weights, values, strict=True))}) / ({total})"

    sheet.step(f"z_{s}", f"Weighted mean depth, {side} block", weighted(depths), quantity="length")
    sheet.step(f"T_{s}m", f"Weighted mean temperature, {side} block", weighted(sensors), quantity=quantity)
    away = [f"({z} - z_{s})" for z in depths]
    above = " + ".join(f"{w} * {d} * ({t} - T_{s}m)" for w, d, t in zip(weights, away, sensors, strict=True))
    below = " + ".join(f"{w} * {d}^2" for w, d in zip(weights, away, strict=True))
    gradient = sheet.step(
        f"g_{s}", f"Gradient in the {side} block, least squares", f"({above}) / ({below})", quantity="gradient"
    )
    face = sheet.step(
        f"T_{s}f", f"{side.title()} face: the line at depth 0", f"T_{s}m - g_{s} * z_{s}", quantity=quantity
    )
    return gradient, face


def meter_bar(sheet: Sheet) -> str:
    """Conductivity times area times the gradient, the blocks' gradients weighted by 1 / u^2."""
    found = {side: _gradient(sheet, side) for side in ("hot", "cold")}
    signs = {"hot": "", "cold": "-"}
    parts = [(side, f"{signs[side]}{one[0]}") for side, one in found.items() if one is not None]
    if len(parts) == 2:
        for side, _ in parts:
            weight = sheet.needed(f"weight.{side}")
            sheet.take(f"W_{side[0]}", weight.label, value=weight.value, quantity="ratio")
        gradient = sheet.step(
            "g", "Weighted mean gradient", "(W_h * g_h - W_c * g_c) / (W_h + W_c)", quantity="gradient"
        )
    else:
        gradient = parts[0][1]
    formula = f"{_block(sheet)} * {_area(sheet)} * {gradient if not gradient.startswith('-') else f'({gradient})'}"
    return sheet.step("Q_bar", "Heat flow from the gradient", formula, quantity="heat_flow")


_BY_RIG: Mapping[str, Recipe] = {"electrical": electrical, "meter_bar": meter_bar, "coolant": carried}


def heat_flow(sheet: Sheet) -> str:
    return _BY_RIG[sheet.setup.heat_flow](sheet)


def coolant_heat_flow(sheet: Sheet) -> str:
    return carried(sheet)


def heat_balance(sheet: Sheet) -> str:
    other = heat_flow(sheet) if sheet.setup.heat_flow != "coolant" else electrical(sheet)
    cool = carried(sheet)
    formula = f"({other} - {cool}) / (({other} + {cool}) / 2)"
    return sheet.step("b", "Heat balance, as a share of the mean", formula, quantity="heat_balance")


def heat_flux(sheet: Sheet) -> str:
    flow, area = heat_flow(sheet), _area(sheet)
    return sheet.step("q", "Heat flux", f"{flow} / {area}", quantity="heat_flux")


# --- temperatures ----------------------------------------------------------------------------------------------------


def _face(sheet: Sheet, side: str) -> str:
    """The face of a block: its sensor carried over its depth, or the line of a meter bar."""
    quantity, s = f"{side}_temperature", side[0]
    if sheet.setup.heat_flow == "meter_bar":
        line = _gradient(sheet, side)
        if line is not None:
            return line[1]
    sensor = _mean(sheet, quantity)
    depths = [entry.depth or 0.0 for entry in sheet.inputs(quantity)]
    depth = sum(depths) / len(depths)
    if depth == 0.0:
        return sensor
    label = f"Depth of the {side} sensor" + ("s, their mean" if len(depths) > 1 else "")
    sheet.take(f"z_{s}", label, value=depth, quantity="depth")
    flux, block = heat_flux(sheet), _block(sheet)
    sign = "-" if side == "hot" else "+"
    formula = f"{sensor} {sign} {flux} * z_{s} / {block}"
    return sheet.step(f"T_{s}f", f"{side.title()} face", formula, quantity=quantity)


def hot_temperature(sheet: Sheet) -> str:
    return _face(sheet, "hot")


def cold_temperature(sheet: Sheet) -> str:
    return _face(sheet, "cold")


def temperature_rise(sheet: Sheet) -> str:
    hot, cold = _face(sheet, "hot"), _face(sheet, "cold")
    return sheet.step("dT", "Temperature rise", f"{hot} - {cold}", quantity="temperature_rise")


def coolant_temperature(sheet: Sheet) -> str:
    return _mean(sheet, "coolant_in")


# --- layer -----------------------------------------------------------------------------------------------------------


def thermal_impedance(sheet: Sheet) -> str:
    rise, flow, area = temperature_rise(sheet), heat_flow(sheet), _area(sheet)
    return sheet.step("R", "Thermal impedance", f"{rise} * {area} / {flow}", quantity="thermal_impedance")


def pressure(sheet: Sheet) -> str:
    force, area = _mean(sheet, "force"), _area(sheet)
    return sheet.step("p", "Pressure", f"{force} / {area}", quantity="pressure")


def gap(sheet: Sheet) -> str:
    """Reading less zero, less drift, less expansion."""
    reading, zero = _mean(sheet, "gap"), sheet.needed("zero.reading")
    formula = f"{reading} - {sheet.take('d_0', zero.label, value=zero.value, quantity='zero_reading')}"
    drift, share = sheet.input("zero.drift"), sheet.input("zero.share")
    if drift is not None and share is not None:
        sheet.take("D", drift.label, value=drift.value, quantity="gap")
        sheet.take("s", share.label, value=share.value, quantity="ratio")
        formula += " - " + sheet.step("d_drift", "Drift up to the window", "s * D", quantity="gap")
    if (expanded := _expansion(sheet)) is not None:
        formula += f" - {expanded}"
    return sheet.step("d_gap", "Gap", formula, quantity="gap")


def _expansion(sheet: Sheet) -> str | None:
    expansion, cool = sheet.setup.gap_expansion, sheet.input("zero.temperature")
    if cool is None or (expansion.value == 0.0 and expansion.u == 0.0):
        return None
    sides = [_mean(sheet, side) for side in ("hot_temperature", "cold_temperature") if sheet.inputs(side)]
    sheet.step("T_b", "Mean temperature of the blocks", f"({' + '.join(sides)}) / {len(sides)}", quantity="temperature")
    sheet.take("T_0", cool.label, value=cool.value, quantity="temperature")
    sheet.take("eps", "Expansion of the reading, of the setup", value=expansion.value, quantity="gap_expansion")
    return sheet.step("d_exp", "What warmth adds to the reading", "eps * (T_b - T_0)", quantity="gap")


def apparent_conductivity(sheet: Sheet) -> str:
    layer, impedance = gap(sheet), thermal_impedance(sheet)
    return sheet.step("k_app", "Apparent conductivity", f"{layer} / {impedance}", quantity="apparent_conductivity")


RECIPES: Mapping[str, Recipe] = MappingProxyType(
    {
        "temperature_rise": temperature_rise,
        "heat_flow": heat_flow,
        "heat_flux": heat_flux,
        "thermal_impedance": thermal_impedance,
        "gap": gap,
        "apparent_conductivity": apparent_conductivity,
        "pressure": pressure,
        "hot_temperature": hot_temperature,
        "cold_temperature": cold_temperature,
        "coolant_temperature": coolant_temperature,
        "coolant_heat_flow": coolant_heat_flow,
        "heat_balance": heat_balance,
    }
)
"""The way to every figure of a steady reduction, by the figure's key."""
