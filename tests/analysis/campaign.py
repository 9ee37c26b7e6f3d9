"""Simulated studies of every method in wide conditions, each with its truth: what share of its 95 % intervals hold it.

`CAMPAIGN` names one function a method: from a number, the errors of one study's figures in units of their expanded
uncertainty. The conditions are invented; each study is drawn anew from its number, so that every count is repeatable.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from analysis.cycling.drifting import Limit, find_drift, find_limit
from analysis.materials.squeeze_flow import disk_of, rest_gap, stefan_gap, stefan_time, yield_gap
from analysis.methods.ageing import reduce_ageing
from analysis.methods.cycles import reduce_cycles
from analysis.methods.press import reduce_press
from analysis.methods.series import reduce_series
from analysis.methods.thinning import reduce_thinning
from analysis.pressing.approach import Approach
from analysis.pressing.models import MODELS, fit_models
from analysis.results import Array, BudgetLine, Measured, Reduction, Settled
from lims.demo.simulator import Bench, Layer, Plan, simulate
from lims.demo.simulator.ageing import AgeingLayer, course_of, simulate_cycles
from tests.analysis.steady.simulated import errors, reduced, setup_of, simulated, trace_of

Errors = dict[str, float]  # (found - true) / U95 by figure; empty where the study was refused
FORCE, AREA = 250.0, 1000e-6
FACE = disk_of(AREA)
BEGIN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def held(study: Callable[[int], Errors], numbers: Iterable[int]) -> tuple[dict[str, list[float]], int]:
    """The errors by figure over many studies, and how many gave no figure."""
    collected: dict[str, list[float]] = defaultdict(list)
    refused = 0
    for number in numbers:
        found = study(number)
        refused += not found
        for name, error in found.items():
            collected[name].append(error)
    return dict(collected), refused


def shares(collected: Mapping[str, list[float]]) -> dict[str, float]:
    """The share of intervals that hold the truth, by figure."""
    return {name: float(np.mean(np.abs(values) <= 1.0)) for name, values in collected.items()}


def _errors(figures: Mapping[str, Measured], truth: Mapping[str, float]) -> Errors:
    return {
        name: (figures[name].value - true) / figures[name].expanded for name, true in truth.items() if name in figures
    }


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def remembering(rng: np.random.Generator, size: int, memory: float) -> Array:
    """Noise of standard deviation 1 whose neighbours are correlated by `memory`."""
    noise = rng.normal(size=size)
    for i in range(1, size):
        noise[i] = memory * noise[i - 1] + math.sqrt(1.0 - memory**2) * noise[i]
    return noise


# --- steady ----------------------------------------


def steady(number: int) -> Errors:
    """One run of any rig, reduced with its zeros."""
    made = simulated(number)
    found = reduced(made)
    return errors(made, found) if found.settled.found else {}


# --- series ----------------------------------------


def specimen(gap: float, impedance: float, *, u: tuple[float, float], zero: float, area: float) -> Reduction:
    """A result [m], [m2 K/W] with its own uncertainties `u`, and those of the `zero` and of the `area` shared."""
    figures = {
        "gap": Measured(gap, math.hypot(u[0], zero), 100.0),
        "thermal_impedance": Measured(impedance, math.hypot(u[1], area * impedance), 100.0),
        "pressure": Measured(250e3, 500.0),
    }
    budget = {
        "gap": (BudgetLine("zero", zero, 0.0, "B", math.inf, -zero, "zero"),),
        "thermal_impedance": (BudgetLine("area", area * impedance, 0.0, "B", math.inf, area * impedance, "area"),),
    }
    return Reduction("steady", "1", {"file": f"{gap}.csv"}, Settled(True), figures, budget)


def series(number: int, *, count: int | None = None, excess: float | None = None) -> Errors:
    """A series of 3 to 8 specimens; in half of them they scatter up to eight times as far as their results say."""
    rng = np.random.default_rng(20_000 + number)
    drawn = float(rng.choice([1.0, _between(rng, 1.2, 8.0)]))
    factor = drawn if excess is None else excess
    size = int(rng.integers(3, 9)) if count is None else count
    k, contact = rng.uniform(1.0, 8.0), rng.uniform(2e-6, 15e-6)
    zero, area = _between(rng, 1e-8, 1e-6), _between(rng, 1e-4, 1e-2)
    u = _between(rng, 0.05e-6, 0.5e-6), _between(rng, 0.01e-6, 0.1e-6)
    true = np.linspace(40e-6, rng.uniform(300e-6, 800e-6), size)
    gaps = true + zero * rng.normal() + factor * u[0] * rng.normal(size=size)
    impedances = (contact + true / k) * (1.0 + area * rng.normal()) + factor * u[1] * rng.normal(size=size)
    results = [specimen(g, r, u=u, zero=zero, area=area) for g, r in zip(gaps, impedances, strict=True)]
    return _errors(reduce_series(results).figures, {"conductivity": k, "contact_impedance": contact})


# --- ageing ----------------------------------------


def ageing(number: int) -> Errors:
    """A study of 2 to 12 specimens at 2 to 6 ages; each changes in its own way about the mean of all."""
    rng = np.random.default_rng(30_000 + number)
    change, spread = rng.uniform(-0.1, 0.5), rng.choice([0.0, 0.02, 0.1])
    noise, scatter = _between(rng, 0.001, 0.02), rng.uniform(0.0, 0.1)
    ages = np.sort(rng.choice(np.arange(7, 120), size=int(rng.integers(1, 6)), replace=False)).tolist()
    results = []
    for n in range(int(rng.integers(2, 13))):
        start, own = 15e-6 * (1.0 + scatter * rng.normal()), change + spread * rng.normal()
        for days in (0, *ages):
            value = start * (1.0 + own * days / ages[-1]) * (1.0 + noise * rng.normal())
            run = {
                "file": f"{n}-{days}.csv",
                "application": f"A-{n:04d}",
                "start": (BEGIN + timedelta(days=days)).isoformat(),
            }
            figures = {"thermal_impedance": Measured(value, 0.05e-6, 60.0)}
            results.append(Reduction("steady", "1", run, Settled(True), figures))
    truth = {"relative_change": change, "change_per_1000_h": change * 1000.0 / (ages[-1] * 24.0)}
    return _errors(reduce_ageing(results).figures, truth)


# --- cycles ----------------------------------------

_COURSES = ("linear", "square root", "onset", "saturating", "none")


def drift(number: int) -> Errors:
    """The impedances of 12 to 200 cycles, of any course, with a memory from cycle to cycle."""
    rng = np.random.default_rng(40_000 + number)
    count, memory = int(_between(rng, 12, 200)), float(rng.choice([0.0, 0.0, 0.3, 0.6]))
    course, growth = str(rng.choice(_COURSES)), rng.uniform(0.05, 0.5)
    scatter = _between(rng, 0.001, 0.03)
    cycle = np.arange(1, count + 1)
    shape = 0.0 * cycle if course == "none" else course_of((cycle - 1.0) / (count - 1.0), course)
    true = 15e-6 * (1.0 + growth * shape)
    found = find_drift(cycle, true + 15e-6 * scatter * remembering(rng, count, memory))
    ends = max(int(0.1 * found.y.size), 3)
    truth = {"impedance_change": true[-ends:].mean() - true[found.run_in :][:ends].mean()}
    figures = {"impedance_change": found.change}
    if course in ("linear", "none"):
        truth["impedance_drift"] = 15e-6 * growth / (count - 1.0) if course == "linear" else 0.0
        figures["impedance_drift"] = found.slope
    result = _errors(figures, truth)
    if course == "linear":
        result |= _limit_error(find_limit(found, 15e-6 * (1.0 + 1.25 * growth)), 1.0 + 1.25 * (count - 1.0))
    return result


def _limit_error(limit: Limit, true: float) -> Errors:
    crossing = limit.crossing
    if crossing is None:
        return {}
    half = crossing.high - crossing.x if true > crossing.x else crossing.x - crossing.low
    return {"limit": (crossing.x - true) / max(half, 1e-12)}


def cycles(number: int) -> Errors:
    """A whole run of power cycles on a light bench, reduced: last soak, changes and drift."""
    rng = np.random.default_rng(50_000 + number)
    course = str(rng.choice(("linear", "linear", "square root", "onset")))
    layer = AgeingLayer(
        gap_open=90e-6,
        pressing_time=2.0,
        begin=120.0,
        course=course,
        growth=float(rng.uniform(0.0, 0.4)),
        cycles=int(rng.integers(12, 40)),
        thinning=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.0, 5e-6)])),
        contact=_between(rng, 1e-6, 8e-6),
        conductivity=_between(rng, 2.0, 8.0),
    )
    bench = Bench(hot_capacity=25.0, cold_capacity=20.0, cold_conductance=60.0, u_area=_between(rng, 1e-7, 5e-6))
    made = simulate_cycles(bench, layer, Plan(interval=float(rng.choice([1.0, 2.0]))), seed=number)
    outcome = reduce_cycles(trace_of(made.run), setup_of(made), zero=trace_of(made.zero, "zero.csv"))
    soaks = outcome.parts["cycles"]["soaks"]
    keys = ("thermal_impedance", "temperature_rise", "gap")
    each = [made.truth(soak["time_s"] - 6.0, soak["time_s"] + 6.0) for soak in soaks]
    true = {key: np.array([one[key] for one in each]) for key in keys}
    truth = {key: float(values[-1]) for key, values in true.items()}
    for figure, key in (("impedance_change", "thermal_impedance"), ("gap_change", "gap")):
        first = outcome.parts["drift"][key]["run_in_cycles"]
        values = true[key][first:]
        ends = max(int(0.1 * values.size), 3)
        truth[figure] = float(values[-ends:].mean() - values[:ends].mean())
    if course == "linear":
        truth["impedance_drift"] = float(np.polyfit(np.arange(len(soaks)), true["thermal_impedance"], 1)[0])
    start = float(true["thermal_impedance"][outcome.parts["drift"]["thermal_impedance"]["run_in_cycles"] :][0])
    truth["relative_change"] = truth["impedance_change"] / start
    return _errors(outcome.figures, truth)


# --- thinning ----------------------------------------


def thinning(number: int) -> Errors:
    """A run whose layer still thins under steady heat, of unlike layers, powers, lags and noises."""
    rng = np.random.default_rng(60_000 + number)
    k, contact = rng.uniform(1.5, 8.0), rng.uniform(2e-6, 10e-6)
    bench = Bench(memory=float(rng.choice([0.0, 1.0, 3.0, 10.0])), lag=float(rng.choice([0.5, 2.0, 4.0])), u_area=2e-6)
    layer = Layer(
        conductivity=k,
        contact=contact,
        gap_open=rng.uniform(80.0, 300.0) * 1e-6,
        gap_end=40e-6,
        pressing_time=rng.uniform(100.0, 400.0),
        exponent=rng.uniform(0.5, 2.0),
    )
    plan = Plan(seconds=620.0, interval=2.0, steps=((60.0, rng.uniform(80.0, 200.0)), (600.0, 0.0)))
    made = simulate(bench, layer, plan, seed=number)
    outcome = reduce_thinning(trace_of(made.run), setup_of(made), zero=trace_of(made.zero, "zero.csv"))
    return _errors(outcome.figures, {"conductivity": k, "contact_impedance": contact})


# --- press ----------------------------------------


@dataclass(frozen=True, slots=True)
class Paste(Layer):
    """A paste that gives way as a formula says: Newtonian, or with a yield stress."""

    viscosity: float = 3000.0
    yield_stress: float = 0.0

    def gap(self, t: Array, pressed_at: float) -> Array:
        """Gap [m] under the force, from the formulas of squeeze flow."""
        return paste_gap(np.maximum(t - pressed_at, 0.0), self.gap_open, self.viscosity, self.yield_stress)


def paste_gap(since: Array, start: float, viscosity: float, stress: float) -> Array:
    """Gap [m] at times since the force was on [s]; `stress` 0 for a Newtonian paste."""
    if not stress:
        return np.asarray(stefan_gap(since, start=start, viscosity=viscosity, force=FORCE, face=FACE))
    tau = stefan_time(start, viscosity=viscosity, force=FORCE, face=FACE)
    return np.asarray(yield_gap(since, start=start, tau=tau, rest=rest_gap(stress, force=FORCE, face=FACE)))


def _pasted(rng: np.random.Generator) -> Paste:
    if rng.random() < 0.5:
        return Paste(viscosity=_between(rng, 300.0, 10_000.0))
    return Paste(viscosity=_between(rng, 200.0, 1600.0), yield_stress=_between(rng, 500.0, 2000.0))


def _paste_truth(paste: Paste, gap: Array) -> dict[str, float]:
    truth = {"viscosity": paste.viscosity}
    if paste.yield_stress:
        rest = rest_gap(paste.yield_stress, force=FORCE, face=FACE)
        truth |= {"yield_stress": paste.yield_stress, "rest_gap": rest, "gap_to_go": float(gap[-1]) - rest}
    return truth


def press(number: int) -> Errors:
    """A whole run of a paste that is pressed out, reduced; the model is told by the method."""
    rng = np.random.default_rng(70_000 + number)
    paste = _pasted(rng)
    bench = Bench(memory=float(rng.choice([0.0, 2.0, 5.0])), u_gap=_between(rng, 0.1e-6, 1e-6))
    plan = Plan(seconds=float(rng.uniform(700.0, 1900.0)), steps=((5000.0, 150.0),))
    made = simulate(bench, paste, plan, seed=number)
    outcome = reduce_press(trace_of(made.run), setup_of(made), zero=trace_of(made.zero, "zero.csv"), face="circular")
    wanted = "yield_stress" if paste.yield_stress else "newtonian"
    if not outcome.figures or outcome.parts["approach"]["model"] != wanted:
        return {}
    ends = outcome.parts["approach"]["to_s"]
    truth = _paste_truth(paste, paste.gap(np.array([ends]), plan.pressed_at))
    truth["gap"] = float(paste.gap(np.array([ends]), plan.pressed_at)[0])
    return _errors(outcome.figures, truth)


def approach(number: int) -> Errors:
    """An approach with a shift of its zero and noise with a memory; the model is given."""
    rng = np.random.default_rng(80_000 + number)
    paste, size = _pasted(rng), int(rng.integers(40, 160))
    memory, noise = float(rng.choice([0.0, 0.3, 0.6])), _between(rng, 0.03e-6, 0.3e-6)
    shift = _between(rng, 0.05e-6, 1e-6)
    time = np.geomspace(0.5, _between(rng, 300.0, 2000.0), size)
    gap = paste.gap(time, 0.0)
    shown = gap + shift * rng.normal() + noise * remembering(rng, size, memory)
    seen = Approach(
        time=time,
        gap=shown,
        shifts=np.column_stack((np.full(size, shift), np.zeros(size))),
        noise=noise,
        force=Measured(FORCE * (1.0 + 0.01 * rng.normal()), 0.01 * FORCE),
        area=Measured(AREA, 0.0),
        face=FACE,
        warmed=0.0,
        before=float(shown[0]),
        end=Measured(float(shown[-1]), shift),
        from_s=0.0,
        to_s=float(time[-1]),
    )
    model = [one for one in MODELS if one.key == ("yield_stress" if paste.yield_stress else "newtonian")]
    found = fit_models(replace(seen), models=model)
    return _errors(found[0].figures, _paste_truth(paste, gap)) if found else {}


CAMPAIGN: Mapping[str, Callable[[int], Errors]] = {
    "steady": steady,
    "series": series,
    "ageing": ageing,
    "drift": drift,
    "cycles": cycles,
    "thinning": thinning,
    "press": press,
    "approach": approach,
}
