"""Settled runs of a rig made of plain numbers: true values, the errors of the sensors drawn from their stated u."""

from __future__ import annotations

import numpy as np
from scipy import optimize

from analysis.results import Trace
from analysis.setup_reading import read_setup
from analysis.steady import water

ICE = 273.15
ROWS = 400
U = {"power": 0.05, "hot": 0.03, "cold": 0.03, "in": 0.01, "out": 0.01, "flow": 0.005, "room": 0.1, "gap": 0.2}
UNITS = {"power": "W", "hot": "degC", "cold": "degC", "in": "degC", "out": "degC", "flow": "L/min", "room": "degC"}
UNITS |= {"gap": "um", "force": "N"}
QUANTITY = {
    "power": "heater_power",
    "hot": "hot_temperature",
    "cold": "cold_temperature",
    "in": "coolant_in",
    "out": "coolant_out",
    "flow": "coolant_flow",
    "room": "ambient_temperature",
    "gap": "gap",
    "force": "force",
}


def setup(**tables):
    channels = [{"column": name, "quantity": key, "u": U.get(name, 0.0)} for name, key in QUANTITY.items()]
    return read_setup(
        {
            "rig": {"name": "bench", "area": "1000 mm^2"},
            "channel": [{"column": "t", "quantity": "time"}, *channels],
            **tables,
        }
    )


def noise(rng, size, n=ROWS, memory=0.8):
    """A first-order autoregression of standard deviation `size`."""
    shocks = rng.normal(size=n) * size * np.sqrt(1 - memory**2)
    out = np.empty(n)
    value = rng.normal() * size
    for i in range(n):
        value = memory * value + shocks[i]
        out[i] = value
    return out


def trace(columns, name="run.csv"):
    return Trace(name, name, np.arange(float(len(next(iter(columns.values()))))), columns, UNITS)


def outlet(heat, flow, cool):
    """The outlet [degC] of water that carries `heat` [W] away at `flow` [L/min] from `cool` [degC]."""
    mass = water.density(cool + ICE)[0] * flow / 60000.0
    start = water.enthalpy(cool + ICE)[0]
    return optimize.brentq(lambda t: mass * (water.enthalpy(t + ICE)[0] - start) - heat, cool - 5.0, cool + 60.0)


def errors(rng):
    return {name: float(rng.normal() * u) for name, u in U.items()}


def balance(hot, *, loss, wrong, rng, number=0, loud=1.0):
    """A balance run settled at a hot block of `hot` [degC]; `wrong` the errors of the sensors."""
    room, cool, flow = 22.0, 20.0, 0.8
    through = 3.0 * (hot - 25.0)
    true = {
        "power": through + loss * (hot - room),
        "hot": hot,
        "cold": cool + 0.1 * (hot - cool),
        "in": cool,
        "out": outlet(through, flow, cool),
        "flow": flow,
        "room": room,
        "gap": 50.0,
        "force": 250.0,
    }
    sizes = {"power": 0.05, "hot": 0.01, "cold": 0.01, "in": 0.005, "out": 0.005, "flow": 0.001, "room": 0.02}
    columns = {k: v - wrong.get(k, 0.0) + loud * noise(rng, sizes.get(k, 0.05)) for k, v in true.items()}
    return trace(columns, f"balance-{number}.csv")
