"""The outcome of cycling: figures, cycles, drift and limit, as numbers and in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.cycling.drifting import Drifting, Limit, find_drift, find_limit, onset
from analysis.cycling.finding import FEWEST, Cycles, find_cycles
from analysis.cycling.scripts import scripts_of
from analysis.cycling.soaks import Soaks, find_soaks, soak_figures
from analysis.output import finite
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Flag, Input, Measured, Outcome, Severity, Trace
from analysis.setup import RigSetup
from analysis.steady.gap import Reference, make_reference
from analysis.steady.heat import check_setup
from analysis.steady.run import Run, make_run
from analysis.steady.window import Rig
from analysis.steady.zero import measured_zero, stated_zero
from analysis.units import shown, shown_difference

FOLLOWED = ("thermal_impedance", "temperature_rise", "gap")
_GROWTH = 0.2  # of the start: the limit where none is given; common practice, no source
_UNSETTLED = 0.02  # of the rise over a soak
_CLEAR = 0.05


@dataclass(frozen=True, slots=True)
class Found:
    """Everything found in one run of cycles."""

    run: Run
    cycles: Cycles
    soaks: Soaks
    drifts: Mapping[str, Drifting]
    limit: Limit
    last: Mapping[str, Measured]
    last_budget: Mapping[str, tuple[BudgetLine, ...]]
    inputs: tuple[Input, ...]
    bars: bool  # heat by meter bars


def reduce_cycles_trace(
    trace: Trace, setup: RigSetup, *, zero: Trace | None, limit: float | None, method: tuple[str, str]
) -> Outcome:
    """See `analysis.methods.cycles.reduce_cycles`."""
    check_setup(setup)
    run, rig = make_run(trace, setup=setup), Rig(setup)
    before = measured_zero(zero, rig=rig) if zero is not None else stated_zero(setup)
    reference = None if before is None else make_reference(rig, zero=before, after=None)
    cycles = find_cycles(run)
    files = {role: one.sha256 for role, one in {"run": trace, "zero": zero}.items() if one is not None}
    if cycles is None or cycles.count < FEWEST:
        return Outcome(
            *method, flags=(_no_cycles(cycles),), run=_described(trace, setup), setup=setup.source, files=files
        )
    found = _find(run, rig, cycles, reference, limit)
    if isinstance(found, Flag):
        return Outcome(*method, flags=(found,), run=_described(trace, setup), setup=setup.source, files=files)
    figures, budget = _figures(found)
    return Outcome(
        *method,
        figures=figures,
        budget=budget,
        flags=tuple(_flags(found)),
        run=_described(trace, setup),
        parts=_parts(found),
        text=_text(found),
        inputs=found.inputs,
        worked=scripts_of(found.drifts),
        setup=setup.source,
        files=files,
    )


def _find(run: Run, rig: Rig, cycles: Cycles, reference: Reference | None, limit: float | None) -> Found | Flag:
    soaks = find_soaks(run, rig=rig, cycles=cycles, reference=reference)
    drifts = {
        key: find_drift(cycles.number, soaks.values[key])
        for key in FOLLOWED
        if key in soaks.values and int(np.isfinite(soaks.values[key]).sum()) >= FEWEST
    }
    if "thermal_impedance" not in drifts:
        return Flag(
            "no_heat", Severity.BLOCKS, "no heat flow can be found at the soaks, so there is no impedance to follow"
        )
    drift = drifts["thermal_impedance"]
    last, inputs = soak_figures(
        run, rig=rig, cycles=cycles, row=cycles.count - 1, reference=reference, capacity=soaks.capacity
    )
    return Found(
        run=run,
        cycles=cycles,
        soaks=soaks,
        drifts=drifts,
        limit=_asked(drift, limit, last.measured["thermal_impedance"]),
        last={key: last.measured[key] for key in FOLLOWED if key in last.measured},
        last_budget={key: last.budget[key] for key in FOLLOWED if key in last.budget},
        inputs=inputs,
        bars=rig.setup.heat_flow == "meter_bar",
    )


def _asked(drift: Drifting, limit: float | None, last: Measured) -> Limit:
    """The limit that is asked for, against all that is uncertain of an impedance; else a growth, where most cancels."""
    if limit is not None:
        return find_limit(drift, limit, u=last.u)
    start = float(drift.best.at(drift.number[0]))
    return find_limit(drift, start * (1.0 + _GROWTH), u=_GROWTH * last.u)


def _no_cycles(cycles: Cycles | None) -> Flag:
    count = 0 if cycles is None else cycles.count
    message = (
        f"{count} whole cycles of even length were found, {FEWEST} are needed: neither the heater power nor a "
        "temperature switches often enough"
    )
    return Flag("no_cycles", Severity.BLOCKS, message)


def _figures(found: Found) -> tuple[dict[str, Measured], dict[str, tuple[BudgetLine, ...]]]:
    """The last soak's figures, and the drift of the impedance in all, per cycle and relative to the start."""
    drift = found.drifts["thermal_impedance"]
    gain = _gain(found.last_budget.get("thermal_impedance", ()), found.last["thermal_impedance"].value, bars=found.bars)
    figures: dict[str, Measured] = dict(found.last)
    budget = dict(found.last_budget)
    for key, one in (("impedance_change", drift.change), ("impedance_drift", drift.slope)):
        figures[key], budget[key] = _with_gain(one, gain)
    start = float(drift.best.at(drift.number[0]))
    if start > 0.0:
        figures["relative_change"], budget["relative_change"] = _relative(drift.change, start, _offset(found, gain))
    if "gap" in found.drifts:
        figures["gap_change"] = found.drifts["gap"].change
        budget["gap_change"] = _scatter_alone(figures["gap_change"])
    return figures, budget


def _gain(lines: tuple[BudgetLine, ...], value: float, *, bars: bool) -> float:
    """Relative uncertainty of what scales every impedance alike: area, power and loss; offsets cancel in a change.

    A block's conductivity scales the heat of a meter bar; elsewhere it only moves the faces by the same each time.
    """
    scales = ("area", "heater_power calibration", "loss conductance", *(("block conductivity",) if bars else ()))
    squares = math.fsum(line.u**2 for line in lines if line.source in scales)
    return math.sqrt(squares) / abs(value) if value else 0.0


def _offset(found: Found, gain: float) -> float:
    """What is uncertain of every impedance alike, its scale apart [m2 K/W]: it cancels in a change, not in a start."""
    last = found.last["thermal_impedance"]
    return math.sqrt(max(last.u**2 - (gain * last.value) ** 2, 0.0))


def _relative(change: Measured, start: float, offset: float) -> tuple[Measured, tuple[BudgetLine, ...]]:
    """A change over its start, of which the scale cancels and the offset does not."""
    value = change.value / start
    return _parted(value, change.u / start, change.dof, abs(value) * offset / start, "offset of the first impedance")


def _scatter_alone(one: Measured) -> tuple[BudgetLine, ...]:
    return (BudgetLine("scatter from cycle to cycle", one.u, 1.0, "A", one.dof),)


def _with_gain(one: Measured, gain: float) -> tuple[Measured, tuple[BudgetLine, ...]]:
    return _parted(one.value, one.u, one.dof, abs(one.value) * gain, "scale of the impedance")


def _parted(
    value: float, scatter: float, dof: float, common: float, name: str
) -> tuple[Measured, tuple[BudgetLine, ...]]:
    """A figure of two parts: the scatter from cycle to cycle, and `common`, called `name`, which no cycles lessen."""
    u = math.hypot(scatter, common)
    share = (scatter / u) ** 2 if u else 0.0
    lines = (
        BudgetLine("scatter from cycle to cycle", scatter, share, "A", dof),
        BudgetLine(name, common, 1.0 - share if u else 0.0, "B"),
    )
    return Measured(value, u, dof / share**2 if share else math.inf), tuple(line for line in lines if line.u)


def _flags(found: Found) -> list[Flag]:
    flags = []
    drift, cycles = found.drifts["thermal_impedance"], found.cycles
    if cycles.uneven:
        listed = ", ".join(str(n) for n in cycles.uneven[:8]) + (" and more" if len(cycles.uneven) > 8 else "")
        message = f"cycles {listed} are too long or too short beside the others and were left out"
        flags.append(Flag("cycles_uneven", Severity.CAUTIONS, message))
    rise = found.soaks.values["temperature_rise"]
    moving = float(np.nanmedian(np.abs(found.soaks.moving / rise)))
    if moving > _UNSETTLED:
        message = (
            f"the rise still moves by {100 * moving:.1f} % over a soak; the impedance is that of the soak, not of "
            "rest; its drift compares like with like"
        )
        flags.append(Flag("soak_unsettled", Severity.CAUTIONS, message))
    lost = int(np.sum(~np.isfinite(found.soaks.values["thermal_impedance"])))
    if lost:
        flags.append(Flag("cycles_missing", Severity.CAUTIONS, f"{lost} soaks have no readings and were left out"))
    if not found.limit.crossing:
        message = f"no number of cycles to {_impedance(found.limit.value)} is given: {found.limit.reason}"
        flags.append(Flag("limit_not_predicted", Severity.CAUTIONS, message))
    if drift.run_in:
        message = (
            f"the first {drift.run_in} cycles follow another course, as a layer that runs in; the drift is that after"
        )
        flags.append(Flag("run_in", Severity.CAUTIONS, message))
    began = onset(drift)
    if began is not None and drift.best.rise > 0.0 and drift.chance < _CLEAR:
        message = (
            f"the impedance rises from cycle {began[0]:.0f} on (95 %: {began[1]:.0f} to {began[2]:.0f}), as when a "
            "layer pumps out"
        )
        flags.append(Flag("pump_out", Severity.CAUTIONS, message, ("thermal_impedance",)))
    return flags


def _impedance(value: float) -> str:
    return f"{shown(value, 'thermal_impedance'):.4g} mm^2*K/W"


def _parts(found: Found) -> dict[str, object]:
    return {
        "cycles": {
            "kind": found.cycles.kind,
            "count": found.cycles.count,
            "period_s": found.cycles.period,
            "uneven": list(found.cycles.uneven),
            "soaks": _soak_rows(found),
        },
        "drift": {key: _drift(one, key) for key, one in found.drifts.items()},
        "limit": _limit(found.limit),
    }


def _soak_rows(found: Found) -> list[dict[str, object]]:
    columns = {f"{key}": found.soaks.values[key] for key in FOLLOWED if key in found.soaks.values}
    return [
        {"cycle": int(number), "time_s": float(time)}
        | {key: finite(shown(float(values[row]), key)) for key, values in columns.items()}
        for row, (number, time) in enumerate(zip(found.cycles.number, found.soaks.time, strict=True))
    ]


def _drift(one: Drifting, key: str) -> dict[str, object]:
    def out(value: float) -> float | None:
        return finite(shown_difference(value, key))

    began = onset(one)
    return {
        "unit": QUANTITIES[key].shown,
        "run_in_cycles": one.run_in,
        "per_cycle": out(one.slope.value),
        "per_cycle_95": [out(one.slope_low), out(one.slope_high)],
        "change": out(one.change.value),
        "change_U95": out(one.change.expanded),
        "p_no_trend": one.chance,
        "effective_cycles": one.best.effective,
        "shape": one.best.shape.name,
        "onset_cycle": None if began is None else began[0],
        "onset_cycle_95": None if began is None else list(began[1:]),
        "shapes": [
            {
                "shape": drift.shape.name,
                "scatter": out(drift.scatter),
                "criterion_above_best": drift.criterion - one.best.criterion,
                "own": drift.own if len(drift.shape.own) > 1 else None,
            }
            for drift in one.shapes.values()
        ],
    }


def _limit(limit: Limit) -> dict[str, object]:
    found: dict[str, object] = {"thermal_impedance": shown(limit.value, "thermal_impedance"), "unit": "mm^2*K/W"}
    if limit.crossing is None:
        return found | {"cycles": None, "cycles_95": None, "reason": limit.reason}
    low, high = max(limit.crossing.low, 0.0), limit.crossing.high
    return found | {"cycles": limit.crossing.x, "cycles_95": [low, high], "reason": ""}


def _text(found: Found) -> tuple[str, ...]:
    cycles, drift = found.cycles, found.drifts["thermal_impedance"]
    lines = [
        f"{found.run.trace.file}: {cycles.count} cycles of {cycles.kind}, one every {cycles.period:.4g} s",
        f"course of the impedance: {drift.best.shape.name}, probability of no trend {drift.chance:.2g}",
    ]
    if found.limit.crossing is not None:
        crossing = found.limit.crossing
        lines.append(
            f"{_impedance(found.limit.value)} is reached after {crossing.x:.0f} cycles "
            f"(95 %: {max(crossing.low, 0.0):.0f} to {crossing.high:.0f})"
        )
    return tuple(lines)


def _described(trace: Trace, setup: RigSetup) -> dict[str, object]:
    described: dict[str, object] = {
        "file": trace.file,
        "sha256": trace.sha256,
        "rows": trace.rows,
        "seconds": trace.seconds,
    }
    described |= {key: text for key, text in (("sample", setup.sample), ("application", setup.application)) if text}
    return described if trace.start is None else described | {"start": trace.start.isoformat()}
