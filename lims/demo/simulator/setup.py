"""The setup file a rig's owner would write: as the mapping it holds, and as text."""

from __future__ import annotations

import json
from collections.abc import Mapping

from lims.demo.simulator.bench import ICE, LITRES_A_MINUTE, Bench, Plan

MICRO, MILLI = 1e6, 1e3


def setup_of(bench: Bench, plan: Plan) -> dict[str, object]:
    """The setup's mapping; tables in `plan.extra` are merged into it."""
    conductivity = f"{bench.block_conductivity:.9g} W/(m*K)"
    setup: dict[str, object] = {
        "rig": {
            "name": bench.name,
            "area": _value(bench.area * MICRO, bench.u_area * MICRO, "mm^2"),
            "heat_flow": bench.heat_flow,
            "loss_conductance": _value(bench.loss, bench.u_loss, "W/K"),
            "block_conductivity": {"value": conductivity, "u": f"{bench.u_block_conductivity:.9g} W/(m*K)"},
            "time_zone": "Europe/Vienna",
        },
        "gap": {
            "resolution": f"{bench.resolution * MICRO:.9g} um",
            "expansion": _value(bench.expansion * MICRO, bench.u_expansion * MICRO, "um/K"),
            "zero_max_age": "8 h",
            "zero_max_drift": "1 um",
        },
        **_conditions(bench, plan),
        "steady": {"min_duration": f"{bench.min_duration:.9g} s", "max_slope": f"{bench.max_slope:.9g} K/min"},
        "channel": _channels(bench),
    }
    for table, values in plan.extra.items():
        known = setup.get(table, {})
        setup[table] = {**known, **values} if isinstance(known, dict) and isinstance(values, Mapping) else values
    return setup


def _value(value: float, u: float, unit: str) -> dict[str, str]:
    return {"value": f"{value:.9g} {unit}", "u": f"{u:.9g} {unit}"}


def _conditions(bench: Bench, plan: Plan) -> dict[str, dict[str, str]]:
    nominal = {"force": f"{plan.force:.9g} N", "coolant_temperature": f"{plan.coolant - ICE:.9g} degC"}
    tolerance = {"force": "2 %", "coolant_temperature": "0.5 K"}
    if plan.nominal_power is not None and bench.powered:
        nominal["heater_power"], tolerance["heater_power"] = f"{plan.nominal_power:.9g} W", "1 %"
    return {"nominal": nominal, "tolerance": tolerance}


def _channels(bench: Bench) -> list[dict[str, object]]:
    channels: list[dict[str, object]] = [
        {"column": f"heater {n + 1}", "quantity": "heater_power", "u": bench.u_power}
        for n in range(bench.heaters if bench.powered else 0)
    ]
    for side in ("hot", "cold"):
        for n, depth in enumerate(bench.depths):
            name = side if len(bench.depths) == 1 else f"{side} {n + 1}"
            entry = {"column": name, "quantity": f"{side}_temperature", "u": bench.u_temperature}
            channels.append(entry | {"depth": f"{depth * MILLI:.6g} mm"})
    others = {
        "coolant in": ("coolant_in", bench.u_coolant),
        "coolant out": ("coolant_out", bench.u_coolant),
        "flow": ("coolant_flow", bench.u_flow * LITRES_A_MINUTE),
        "room": ("ambient_temperature", bench.u_room),
        "gap": ("gap", bench.u_gap * MICRO),
        "force": ("force", bench.u_force),
    }
    channels += [{"column": name, "quantity": quantity, "u": u} for name, (quantity, u) in others.items()]
    return channels


def as_toml(setup: Mapping[str, object]) -> str:
    """The mapping as the text of a setup file."""
    lines: list[str] = []
    for table, values in setup.items():
        if isinstance(values, Mapping):
            lines += [f"[{table}]", *_entries(values), ""]
        elif isinstance(values, list):
            for entry in values:
                lines += [f"[[{table}]]", *_entries(entry), ""]
    return "\n".join(lines)


def _entries(values: Mapping[str, object]) -> list[str]:
    return [f"{key} = {_literal(value)}" for key, value in values.items()]


def _literal(value: object) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(_entries(value)) + " }"
    return json.dumps(value, ensure_ascii=False)
