"""Simulated runs as traces, reduced; and a deck of rigs and runs unlike one another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.methods.steady import reduce_steady
from analysis.results import Reduction, Trace
from analysis.setup import RigSetup
from analysis.setup_reading import read_setup
from lims.demo.simulator import ICE, Bench, Layer, Plan, Recording, Simulated, simulate

FIGURES = ("temperature_rise", "heat_flow", "thermal_impedance", "gap", "apparent_conductivity")


def trace_of(recording: Recording | None, name: str = "run.csv") -> Trace | None:
    """A recording as a reader would hand it over."""
    if recording is None:
        return None
    columns = {column: values.astype(float) for column, values in recording.columns.items()}
    return Trace(name, f"digest of {name}", recording.time, columns, recording.units, start=recording.begin)


def setup_of(made: Simulated, **changes: object) -> RigSetup:
    return replace(read_setup(made.setup), **changes)


def reduced(made: Simulated, *, zero: bool = True, setup: RigSetup | None = None, window=None) -> Reduction:
    """The reduction of a simulated run with its zeros."""
    return reduce_steady(
        trace_of(made.run),
        setup or setup_of(made),
        zero=trace_of(made.zero, "zero.csv") if zero else None,
        zero_after=trace_of(made.zero_after, "after.csv"),
        window=window,
    )


def with_run(made: Simulated, run: Recording) -> Simulated:
    """The same with another recording; the truth of rows that are left out is not to be asked for."""
    return replace(
        made, run=run, true_series={name: values[: run.time.size] for name, values in made.true_series.items()}
    )


def codes(reduction: Reduction) -> list[str]:
    return [flag.code for flag in reduction.flags]


def severity(reduction: Reduction, code: str) -> str:
    return next(str(flag.severity) for flag in reduction.flags if flag.code == code)


def message(reduction: Reduction, code: str) -> str:
    return next(flag.message for flag in reduction.flags if flag.code == code)


def errors(made: Simulated, found: Reduction, names=FIGURES) -> dict[str, float]:
    """(found - true) / U95 of each figure; true is the late part of the plateau, where all has come to rest."""
    start, end = found.settled.start_s, found.settled.end_s
    truth = made.truth(end - 0.12 * (end - start), end - 0.03 * (end - start))
    return {
        name: (found.figures[name].value - truth[name]) / found.figures[name].expanded
        for name in names
        if name in found.figures
    }


def any_rig(number: int) -> tuple[Bench, Layer, Plan]:
    """One of a deck of rigs and runs: electrical, meter bar and coolant in turn, all else drawn."""
    rng = np.random.default_rng(10_000 + number)

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    kind = ("electrical", "meter_bar", "coolant")[number % 3]
    area = between(2e-4, 4e-3)
    power = round(area * between(3e4, 4e5), 1)
    interval = float(rng.choice([0.2, 0.5, 1.0, 1.0, 2.0, 5.0]))
    window = max(float(rng.choice([60.0, 120.0, 180.0, 180.0, 300.0])), 20.0 * interval)
    layer = Layer(
        conductivity=between(0.8, 12.0),
        contact=between(1e-6, 8e-6),
        gap_end=between(20e-6, 400e-6),
        gap_open=between(450e-6, 1e-3),
        pressing_time=between(5.0, 40.0),
        exponent=float(rng.uniform(2.5, 4.0)),
    )
    conductance = area * between(5e3, 5e4)
    capacities = between(60.0, 600.0), between(60.0, 600.0)
    flow = max(power / (4.18e6 * between(1.5, 6.0)), 2e-7)
    bench = Bench(
        heat_flow=kind,
        area=area,
        u_area=0.002 * area * rng.random(),
        loss=between(0.02, 0.3),
        hot_capacity=capacities[0],
        cold_capacity=capacities[1],
        cold_conductance=conductance,
        coolant_flow=flow,
        u_flow=0.005 * flow,
        heaters=int(rng.integers(1, 8)),
        depths=(3e-3, 10e-3, 17e-3) if kind == "meter_bar" else (2e-3,),
        u_temperature=between(0.01, 0.1),
        u_coolant=between(0.01, 0.05),
        u_power=0.001 * power,
        u_gap=between(0.1e-6, 1e-6),
        noise={
            "temperature": between(0.003, 0.05),
            "power": power * between(1e-4, 5e-3),
            "flow": 0.002 * flow,
            "gap": between(0.02e-6, 0.3e-6),
            "force": 0.5,
        },
        memory=float(rng.choice([0.0, 2.0, 5.0, 15.0])),
        rounding=[{}, {"degC": 0.01, "W": 0.01, "L/min": 0.001, "N": 0.1}, {"degC": 0.1}][int(rng.integers(0, 3))],
        min_duration=window,
        max_slope=float(rng.choice([0.05, 0.05, 0.1, 0.02])),
    )
    resistance = (layer.gap_end / layer.conductivity + layer.contact) / area
    slowest = max(capacities[0] * (resistance + 1.0 / conductance), capacities[1] / conductance)
    settling = 12.0 * (slowest + layer.pressing_time)
    plateau = window * float(rng.uniform(1.6, 4.0))
    steps, end = [(60.0, power)], 60.0 + settling + plateau
    if rng.random() < 0.3:  # an earlier, lower step
        steps, end = [(60.0, 0.6 * power), (end, power)], end + settling + plateau
    if rng.random() < 0.6:  # a cool-down
        steps, end = [*steps, (end, 0.0)], end + 0.3 * plateau
    plan = Plan(
        steps=tuple(steps),
        seconds=end,
        interval=interval,
        jitter=float(rng.choice([0.0, 0.0, 0.3])),
        force=float(rng.uniform(100.0, 500.0)),
        coolant=float(rng.uniform(15.0, 40.0)) + ICE,
        ambient=float(rng.uniform(18.0, 28.0)) + ICE,
        nominal_power=power,
        zero_after=bool(rng.random() < 0.5),
        zero_drift=1e-10 * float(rng.normal()),
    )
    return bench, layer, plan if plan.zero_after else replace(plan, zero_drift=0.0)


def simulated(number: int) -> Simulated:
    return simulate(*any_rig(number), seed=number)
