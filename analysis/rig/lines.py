"""Heat loss and expansion: the slope of a line through settled stretches at several temperatures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import stats

from analysis.quantities import QUANTITIES
from analysis.results import Flag, Measured, Outcome, Severity, Trace
from analysis.rig.outcome import VERSION, files_of, refused
from analysis.rig.points import Fitted, Point, Stretch, fit, stretches
from analysis.setup import RigSetup
from analysis.statistics.uncertainty import Estimate
from analysis.steady.heat import coolant_heat, electrical_heat, gradient_of, room
from analysis.steady.window import Rig
from analysis.steady.zero import block_temperature
from analysis.units import shown, shown_difference
from analysis.worked import Axis, Script, weighted_line_script

_FEWEST = 3  # points through which a line tells more than two numbers
# Least spreads, common practice, no source: below them a slope is mostly the sensors' noise.
_SPREAD = {"loss": 10.0, "expansion": 5.0}  # [K]
_UNLIKELY = 0.01  # probability below which a scatter is told
_AXES = {"loss_conductance": ("temperature_rise", "heat_flow"), "gap_expansion": ("temperature", "gap")}


def loss_conductance(traces: Sequence[Trace], setup: RigSetup) -> Outcome:
    """Heat-loss conductance [W/K] of the heater block to the room, from balance runs at several temperatures. [1]

    Parameters: `traces` runs with heater power and a second way of knowing the heat (coolant, or sensors at several
    depths), settled at three or more temperatures of the block. Formula: slope of P - stored - Q against
    T_block - T_room; an error common to all powers or all heats falls out of it and shows in the intercept.

    1. JCGM 100:2008, H.3.
    """
    rig = Rig(setup)
    found = stretches(traces, setup=setup, rig=rig, needed=("heater_power", "hot_temperature"))
    points = [point for stretch in found if (point := _balance(stretch, rig)) is not None]
    refusal = _too_few(points, "T_block - T_room", _SPREAD["loss"])
    if refusal:
        return refused("loss", refusal, setup, traces)
    return _line_outcome("loss", "loss_conductance", fit(points), points, setup, traces)


def _balance(stretch: Stretch, rig: Rig) -> Point | None:
    window = stretch.window
    heat = _other_heat(rig, stretch)
    if heat is None:
        return None
    bare = rig.with_setup(_without_loss(rig.setup))
    power = electrical_heat(bare, window=window, stored=stretch.stored)
    return Point(stretch.file, window.mean("hot_temperature") - room(window), power - heat, window)


def _without_loss(setup: RigSetup) -> RigSetup:
    return replace(setup, loss_conductance=Measured(0.0, 0.0))


def _other_heat(rig: Rig, stretch: Stretch) -> Estimate | None:
    """Heat through the layer as something other than the heater tells: the meter bar before the coolant."""
    for side, sign in (("hot", 1.0), ("cold", -1.0)):
        if rig.setup.block_conductivity is None or not stretch.window.has(f"{side}_temperature"):
            continue
        gradient = gradient_of(stretch.window, side)[1]
        if gradient is not None:
            return rig.constant("block_conductivity") * rig.constant("area") * gradient * sign
    return coolant_heat(rig, stretch.window)


def gap_expansion(traces: Sequence[Trace], setup: RigSetup) -> Outcome:
    """Apparent growth of the gap reading per kelvin of mean block temperature [m/K], from bare heated runs.

    Parameters: `traces` runs on closed blocks with nothing between them, settled at three or more temperatures.
    Formula: slope of the gap reading against the mean temperature of the blocks.
    """
    rig = Rig(setup)
    found = stretches(traces, setup=setup, rig=rig, needed=("gap", "hot_temperature", "cold_temperature"))
    points = []
    for stretch in found:
        warm = block_temperature(stretch.window)
        if warm is not None:
            points.append(Point(stretch.file, warm, stretch.window.mean("gap"), stretch.window))
    refusal = _too_few(points, "the blocks' temperature", _SPREAD["expansion"])
    if refusal:
        return refused("expansion", refusal, setup, traces)
    return _line_outcome("expansion", "gap_expansion", fit(points), points, setup, traces)


def _too_few(points: Sequence[Point], of: str, least: float) -> str:
    """Why no line is defensible, with what would do; "" where one is."""
    if len(points) < _FEWEST:
        return f"{len(points)} settled stretches were found; at least {_FEWEST} at different temperatures are needed"
    spread = max(point.x.value for point in points) - min(point.x.value for point in points)
    if spread < least:
        return f"{of} spreads over {spread:.2g} K only; at least {least:g} K are needed"
    return ""


def _line_outcome(
    name: str, key: str, line: Fitted, points: Sequence[Point], setup: RigSetup, traces: Sequence[Trace]
) -> Outcome:
    axes = _AXES[key]
    flags = []
    odd = float(stats.chi2.sf(line.chi2, line.dof)) if line.dof > 0 else 1.0
    if odd < _UNLIKELY:
        words = f"the points scatter about the line more than their own noise explains (probability {odd:.2g})"
        flags.append(Flag("lack_of_fit", Severity.CAUTIONS, words))
    rows = [
        {"file": point.file, "x": _seen(point.x.value, axes[0]), "y": _seen(point.y.value, axes[1])}
        | {"residual": shown_difference(rest, axes[1])}
        for point, rest in zip(points, line.residuals, strict=True)
    ]
    return Outcome(
        method=f"rig {name}",
        method_version=VERSION,
        figures={key: line.slope},
        budget={key: line.slope_budget},
        flags=tuple(flags),
        parts={
            "points": rows,
            "units": {"x": QUANTITIES[axes[0]].shown, "y": QUANTITIES[axes[1]].shown},
            "lack_of_fit_probability": odd,
        },
        text=(f"{len(points)} settled stretches of {len(traces)} runs",),
        setup=setup.source,
        files=files_of(traces),
        worked={key: _script(key, line, points)},
    )


def _script(key: str, line: Fitted, points: Sequence[Point]) -> Script:
    """The slope through the points as printed; um over K is the figure's own unit, and so is W over K."""
    axes = [
        Axis(QUANTITIES[name].label, name, QUANTITIES[name].shown, np.array(values))
        for name, values in zip(
            _AXES[key], ([point.x.value for point in points], [point.y.value for point in points]), strict=True
        )
    ]
    return weighted_line_script(line.weights, *axes)


def _seen(value: float, quantity: str) -> float:
    return shown(value, quantity)
