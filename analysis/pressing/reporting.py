"""The outcome of the press: the approach, the models, and whether it still moves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.output import figure_entry, figure_text, finite
from analysis.pressing.approach import Approach, face_of, find_approach
from analysis.pressing.models import Found, criteria, fit_models, time_to
from analysis.pressing.scripts import scripts_of
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Flag, Measured, Outcome, Severity, Trace
from analysis.setup import RigSetup
from analysis.steady.gap import make_reference
from analysis.steady.press import NEAR
from analysis.steady.run import make_run
from analysis.steady.window import Rig
from analysis.steady.zero import measured_zero, stated_zero
from analysis.units import shown, shown_difference

_MOVED = 5.0  # times its own uncertainty that the gap has to fall by for an approach to be fitted
_WARMED = 5.0  # [K] of the blocks over an approach; common practice, no source
_ALIKE = 2.0  # of the criterion, within which two models are not told apart
_POOR = 4.0  # times the scatter of the readings that the best model may leave
_POOR_SHARE = 0.02  # of the way, below which what is left is of no matter


def reduce_press_trace(
    trace: Trace, setup: RigSetup, *, zero: Trace | None, face: str, method: tuple[str, str]
) -> Outcome:
    """See `analysis.methods.press.reduce_press`."""
    run, rig = make_run(trace, setup=setup), Rig(setup)
    before = measured_zero(zero, rig=rig) if zero is not None else stated_zero(setup)
    described = {"file": trace.file, "sha256": trace.sha256, "rows": trace.rows, "seconds": trace.seconds}
    described |= {key: text for key, text in (("sample", setup.sample), ("application", setup.application)) if text}

    def outcome(flags: Sequence[Flag], **more: object) -> Outcome:
        files = {role: one.sha256 for role, one in {"run": trace, "zero": zero}.items() if one is not None}
        return Outcome(*method, flags=tuple(flags), run=described, setup=setup.source, files=files, **more)  # type: ignore[arg-type]

    if before is None:
        return outcome(
            [Flag("zero_missing", Severity.BLOCKS, "neither a zero run nor a zero reading: no gap can be told")]
        )
    if setup.area is None:
        return outcome([Flag("area_missing", Severity.BLOCKS, "the setup gives no contact area")])
    reference = make_reference(rig, zero=before, after=None)
    approach = find_approach(run, rig=rig, reference=reference, face=face_of(face, setup.area.value))
    if isinstance(approach, str):
        return outcome([Flag("no_approach", Severity.BLOCKS, approach)])
    fallen = float(approach.gap[0] - approach.gap[-1])
    if fallen < _MOVED * max(approach.noise, setup.gap_resolution):
        message = f"the gap falls by {shown_difference(fallen, 'gap'):.2g} um while the force is on: too little to fit"
        return outcome([Flag("no_approach", Severity.BLOCKS, message)])
    if float(approach.gap.min()) <= 0.0:
        return outcome([Flag("gap_below_zero", Severity.BLOCKS, "the gap falls below the zero: check the zero")])
    found = fit_models(approach)
    if not found:
        return outcome([Flag("no_model", Severity.BLOCKS, "no model can be fitted to the approach")])
    figures = {"gap": approach.end} | {key: one for key, one in found[0].figures.items() if key in QUANTITIES}
    return outcome(
        _flags(approach, found, face),
        figures=figures,
        budget=_budget(approach, figures),
        parts={"approach": _approach(approach, found[0]), "models": _models(found)},
        text=_text(approach, found),
        worked={key: one for key, one in scripts_of(approach, found[0]).items() if key in figures},
    )


def _budget(approach: Approach, figures: dict[str, Measured]) -> dict[str, tuple[BudgetLine, ...]]:
    """The gap's two parts; of the others the whole, for the fit, the zero, force and area are in one figure."""
    shift = float(np.linalg.norm(approach.shifts[-1]))
    rest = math.sqrt(max(approach.end.u**2 - shift**2, 0.0))
    square = approach.end.u**2 or 1.0
    lines = {
        "gap": (
            BudgetLine("zero, sensor and expansion", shift, shift**2 / square, "B"),
            BudgetLine("scatter of the readings", rest, rest**2 / square, "A"),
        )
    }
    others = {key: one for key, one in figures.items() if key != "gap"}
    return lines | {
        key: (BudgetLine("fit, zero, force and area", one.u, 1.0, "A", one.dof),) for key, one in others.items()
    }


def _flags(approach: Approach, found: Sequence[Found], face: str) -> list[Flag]:
    best = found[0]
    flags = [*_moving(approach, best), *_close(found)]
    way = float(approach.gap[0] - approach.gap[-1])
    left = best.left
    if left > max(_POOR * approach.noise, _POOR_SHARE * way):
        message = f"the best model leaves {shown_difference(left, 'gap'):.2g} um unexplained; its figures are rough"
        flags.append(Flag("approach_unexplained", Severity.CAUTIONS, message))
    if approach.warmed > _WARMED:
        message = f"the blocks change by {approach.warmed:.0f} K during the approach, and a paste's viscosity with them"
        flags.append(Flag("approach_warmed", Severity.CAUTIONS, message, ("viscosity", "yield_stress")))
    if not face:
        message = "the shape of the face is not told; a square of the contact area was taken"
        flags.append(Flag("face_assumed", Severity.CAUTIONS, message, ("viscosity", "yield_stress")))
    return flags


def _moving(approach: Approach, best: Found) -> list[Flag]:
    to_go = best.figures.get("gap_to_go")
    near = shown(NEAR, "gap")
    if to_go is None:
        seconds = time_to(best, max(approach.end.value - NEAR, 1e-9), after=approach.seconds)
        message = (
            f"still moving: by its best model it never comes to rest, and falls {near:.0f} um more in {seconds:.3g} s"
        )
        return [Flag("still_moving", Severity.CAUTIONS, message, ("gap",))] if seconds < 10.0 * approach.seconds else []
    if to_go.value <= max(to_go.expanded, 0.1 * NEAR):
        return []
    rest = best.figures["rest_gap"].value
    seconds = time_to(best, rest + NEAR, after=approach.seconds)
    when = "" if seconds == 0.0 or not math.isfinite(seconds) else f", within {near:.0f} um of rest in {seconds:.3g} s"
    message = f"still moving, {shown_difference(to_go.value, 'gap'):.2g} um to go{when}"
    return [Flag("still_moving", Severity.CAUTIONS, message, ("gap",))]


def _close(found: Sequence[Found]) -> list[Flag]:
    above = criteria(found)
    alike = [one.model.label for one, more in zip(found, above, strict=True) if more < _ALIKE]
    if len(alike) < 2:
        return []
    return [Flag("models_alike", Severity.CAUTIONS, f"the approach does not tell apart: {'; '.join(alike)}")]


def _approach(approach: Approach, best: Found) -> dict[str, object]:
    return {
        "model": best.model.key,
        "from_s": approach.from_s,
        "to_s": approach.to_s,
        "face": "circular" if approach.face.circular else "rectangular",
        "force_N": approach.force.value,
        "gap_before_um": shown(approach.before, "gap"),
        "warmed_K": approach.warmed,
        "time_s": [float(value) for value in approach.time],
        "gap_um": [shown(float(value), "gap") for value in approach.gap],
        "model_gap_um": [
            shown(float(value), "gap") for value in best.gap(approach.time) + approach.shifts @ best.shifts
        ],
    }


def _models(found: Sequence[Found]) -> list[dict[str, object]]:
    entries: list[dict[str, object]] = []
    for one, above in zip(found, criteria(found), strict=True):
        figures = {
            key: figure_entry(value, key)
            if key in QUANTITIES
            else {"value": finite(value.value), "u": finite(value.u), "unit": "1" if key == "flow_index" else "Pa*s^n"}
            for key, value in one.figures.items()
        }
        entries.append(
            {
                "model": one.model.key,
                "label": one.model.label,
                "criterion_above_best": above,
                "left_um": shown(one.left, "gap"),
                "shift_um": shown(one.shift, "gap"),
            }
            | {"figures": figures}
        )
    return entries


def _text(approach: Approach, found: Sequence[Found]) -> tuple[str, ...]:
    lines = [
        f"approach from {approach.from_s:.6g} s to {approach.to_s:.6g} s: {shown(approach.before, 'gap'):.1f} um to "
        f"{shown(approach.end.value, 'gap'):.1f} um under {approach.force.value:.0f} N",
        f"closest model: {found[0].model.label}",
    ]
    for one in found[1:]:
        known = [
            f"{QUANTITIES[key].label.lower()} {figure_text(value, key)}"
            for key, value in one.figures.items()
            if key in QUANTITIES
        ]
        lines.append(f"  else {one.model.label}: {', '.join(known) or 'no figure'}")
    return tuple(lines)
