"""One run from trace to reduction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.errors import BadSetup, Where
from analysis.propagated import flags_of
from analysis.results import Plateau, Reduction, Settled, Trace
from analysis.setup import RigSetup
from analysis.statistics.uncertainty import Estimate, Source
from analysis.steady.approach import approach_time
from analysis.steady.case import Case
from analysis.steady.figures import Figures, Unrest, find_figures
from analysis.steady.flags import find_flags
from analysis.steady.gap import Reference, make_reference
from analysis.steady.heat import NEEDED, check_setup
from analysis.steady.inputs import find_inputs
from analysis.steady.monte_carlo import propagate_figures
from analysis.steady.plateaus import Found, Search, by_hand, search
from analysis.steady.press import find_press
from analysis.steady.run import Run, make_run
from analysis.steady.storage import heat_capacity, stored_heat
from analysis.steady.window import NO_NULLS, Rig, Window, make_window
from analysis.steady.zero import Zero, measured_zero, stated_zero
from analysis.version import VERSION

_BLOCKS = ("hot_temperature", "cold_temperature")
_LOOKED_AT = 16_384  # rows of a long plateau that tell how single rows scatter


@dataclass(frozen=True, slots=True)
class _Shared:
    """What every window of one run is worked out with."""

    run: Run
    rig: Rig
    looked: Search
    reference: Reference | None
    nulls: Mapping[str, Estimate]
    capacity: float | None
    notes: dict[str, str]


@dataclass(frozen=True, slots=True)
class _Made:
    """One plateau worked out."""

    found: Found
    window: Window
    figures: Figures


def reduce_trace(
    trace: Trace,
    setup: RigSetup,
    *,
    zero: Trace | None,
    zero_after: Trace | None,
    window: tuple[float, float] | None,
    method: tuple[str, str],
) -> Reduction:
    """See `analysis.methods.steady.reduce_steady`."""
    check_setup(setup)
    shared = _shared(make_run(trace, setup=setup), zero, zero_after)
    plateaus = [_worked_out(shared, found) for found in shared.looked.plateaus]
    counts = next((made for made in plateaus if made.found is shared.looked.chosen), None)
    if window is not None:
        counts = _worked_out(shared, by_hand(shared.run, window))
    case = Case(
        run=shared.run,
        rig=shared.rig,
        search=shared.looked,
        reference=shared.reference,
        chosen=None if counts is None else counts.found,
        window=None if counts is None else counts.window,
        figures=None if counts is None else counts.figures,
        by_hand=window is not None,
    )
    files = {"run": trace, "zero": zero, "zero_after": zero_after}
    return replace(
        _reduction(case, shared, plateaus),
        method=method[0],
        method_version=method[1],
        files={role: member.sha256 for role, member in files.items() if member is not None},
    )


def _shared(run: Run, zero: Trace | None, zero_after: Trace | None) -> _Shared:
    rig, notes = Rig(run.setup), dict[str, str]()
    before = measured_zero(zero, rig=rig) if zero is not None else stated_zero(run.setup)
    looked = search(run)
    return _Shared(
        run=run,
        rig=rig,
        looked=looked,
        reference=_reference(rig, before, zero_after),
        nulls=_nulls(before, run.setup, notes),
        capacity=heat_capacity(run, segments=looked.segments),
        notes=notes,
    )


def _worked_out(shared: _Shared, found: Found) -> _Made:
    window = _window(shared.run, shared.rig, found, shared.nulls)
    unrest = Unrest(
        stored=stored_heat(window, capacity=shared.capacity),
        approach=approach_time(shared.run, rows=window.rows, segments=shared.looked.segments),
    )
    figures = find_figures(
        shared.rig,
        window=window,
        start=shared.run.start,
        reference=shared.reference,
        unrest=unrest,
        notes=shared.notes,
    )
    return _Made(found, window, figures)


def _reduction(case: Case, shared: _Shared, plateaus: Sequence[_Made]) -> Reduction:
    window, trials = case.window, case.run.setup.monte_carlo
    propagated = {} if case.figures is None or trials is None else propagate_figures(case.figures, trials)
    return Reduction(
        method="",
        method_version="",
        run=_described(case.run),
        settled=_settled(case, window),
        figures={} if case.figures is None else case.figures.measured,
        budget={} if case.figures is None else case.figures.budget,
        press=None if window is None else find_press(case.run, window=window, reference=case.reference),
        plateaus=tuple(
            Plateau(_settled(case, made.window), made.figures.measured, made.found.at_nominal) for made in plateaus
        ),
        flags=(*find_flags(case), *flags_of(propagated)),
        notes=_notes(case.run, window, shared.notes),
        setup=case.run.setup.source,
        package_version=VERSION,
        inputs=() if window is None else find_inputs(case, nulls=shared.nulls, capacity=shared.capacity),
        monte_carlo=propagated,
    )


def _window(run: Run, rig: Rig, found: Found, nulls: Mapping[str, Estimate]) -> Window:
    made = make_window(rig, time=run.time, signals=run.signals, rows=found.rows, nulls=nulls)
    for quantity in NEEDED[run.setup.heat_flow]:
        every = quantity == "heater_power"  # powers add up; of sensors that average one may be missing
        read = len(made.means.get(quantity, ()))
        if read == 0 or (every and read < len(run.signals[quantity])):
            raise BadSetup(
                f"{'a channel' if every else 'every channel'} of {quantity} has no reading "
                f"from {made.start:.6g} s to {made.end:.6g} s",
                where=Where(file=run.trace.file),
            )
    return made


def _reference(rig: Rig, before: Zero | None, zero_after: Trace | None) -> Reference | None:
    after = measured_zero(zero_after, rig=rig) if zero_after is not None else None
    if before is None:
        return None
    return make_reference(rig, zero=before, after=after)


def _nulls(zero: Zero | None, setup: RigSetup, notes: dict[str, str]) -> Mapping[str, Estimate]:
    """What each temperature sensor reads above the mean of both blocks on the isothermal zero run."""
    if not setup.null_temperatures:
        return NO_NULLS
    window = None if zero is None else zero.window
    if window is None or not window.has("hot_temperature", "cold_temperature"):
        raise BadSetup(
            "null_temperatures = true needs a zero run with hot and cold temperatures",
            where=Where(key="zero.null_temperatures"),
        )
    sensors = {name: tuple(_frozen(window, mean) for mean in window.means[name]) for name in _BLOCKS}
    sides = [sum(means, Estimate(0.0)) * (1.0 / len(means)) for means in sensors.values()]
    middle = 0.5 * (sides[0] + sides[1])
    notes["null_temperatures"] = (
        f"hot less cold on the zero run: {(sides[0] - sides[1]).value:.4f} K, taken out; the sensors' "
        "calibration errors are thereby taken as constant and cancel"
    )
    left = {name: iter(means) for name, means in sensors.items()}
    columns = {channel.column: channel.quantity for channel in setup.channels if channel.quantity in _BLOCKS}
    return {column: next(left[quantity]) - middle for column, quantity in columns.items()}


def _frozen(window: Window, mean: Estimate) -> Estimate:
    """A mean of another run, its scatter as a source of its own."""
    joint = set(window.together.sources)
    scatter = window.together.scatter(mean)
    kept = {source: slope for source, slope in mean.gradient.items() if source not in joint}
    return Estimate(mean.value, {**kept, Source("zero temperature readings", scatter.u, "A", scatter.dof): 1.0})


def _settled(case: Case, window: Window | None) -> Settled:
    if window is None:
        return Settled(found=False)
    rise = window.mean("hot_temperature") - window.mean("cold_temperature")
    together = window.together
    rows = window.rows.stop - window.rows.start
    return Settled(
        found=True,
        start_s=window.start,
        end_s=window.end,
        rows=rows,
        effective_rows=_effective(case.run, window, rise),
        slope=together.trend(rise),
        chosen_by_hand=case.by_hand and window is case.window,
    )


def _effective(run: Run, window: Window, rise: Estimate) -> float:
    """How many independent rows the rise's rows are worth: their variance over that of their mean."""
    rows = window.rows
    scatter = window.together.scatter(rise)
    if rows.stop - rows.start <= window.centres.size or scatter.u == 0.0:
        return scatter.effective
    first = max((rows.start + rows.stop - _LOOKED_AT) // 2, rows.start)
    part = slice(first, min(first + _LOOKED_AT, rows.stop))
    sides = [np.mean([signal.values(part) for signal in run.signals[name]], axis=0) for name in _BLOCKS]
    return float(min(np.nanvar(sides[0] - sides[1]) / scatter.u**2, rows.stop - rows.start))


def _described(run: Run) -> dict[str, object]:
    trace, setup = run.trace, run.setup
    described: dict[str, object] = {
        "file": trace.file,
        "sha256": trace.sha256,
        "rows": trace.rows,
        "seconds": trace.seconds,
    }
    if setup.sample:
        described["sample"] = setup.sample
    if setup.application:
        described["application"] = setup.application
    if trace.start is not None:
        described["start"] = trace.start.isoformat()
    return described


def _notes(run: Run, window: Window | None, notes: dict[str, str]) -> dict[str, str]:
    setup = run.setup
    recorded = window is not None and window.has("ambient_temperature")
    if window is not None and setup.heat_flow == "electrical" and setup.loss_conductance.value and not recorded:
        notes["room temperature"] = "not recorded; 23 degC with a standard uncertainty of 3 K was taken for the loss"
    return {**run.trace.notes, **notes}
