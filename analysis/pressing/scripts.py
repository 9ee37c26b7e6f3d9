"""How the figures of a press are worked out from the closest model's parameters, the force and the face."""

from __future__ import annotations

import math

from analysis.pressing.approach import Approach
from analysis.pressing.models import Found, parameters_of
from analysis.units import shown
from analysis.worked import Script


def scripts_of(approach: Approach, best: Found) -> dict[str, Script]:
    """The gap at the end, and each figure of the closest model as it follows from its parameters."""
    found = parameters_of(best)
    scripts = {"gap": _single("d_end", "Gap over the last stretch, from the zero", approach.end.value)}
    if "viscosity" in best.figures:
        scripts["viscosity"] = _viscosity(approach, found)
    if "rest" in found:
        scripts["rest_gap"] = _single("d_rest", "Gap that the course of the closest model tends to", found["rest"])
        scripts["gap_to_go"] = _to_go(found)
    if "yield_stress" in best.figures:
        scripts["yield_stress"] = _yield(approach, found)
    return scripts


def _single(symbol: str, label: str, gap: float) -> Script:
    script = Script()
    script.given(symbol, label, shown(gap, "gap"), "um")
    return script


def _to_go(found: dict[str, float]) -> Script:
    script = Script()
    script.given("d_last", "Gap of the model when the force ended", shown(found["last"], "gap"), "um")
    script.given("d_rest", "Gap that its course tends to", shown(found["rest"], "gap"), "um")
    script.step("to_go", "Still to go", "d_last - d_rest", "um")
    return script


def _sides(script: Script, approach: Approach) -> bool:
    """Writes down the radius of a disk, or both sides of a rectangle; whether it is a disk."""
    face = approach.face
    if face.circular:
        script.given("pi", "Ratio of a circle to its diameter", math.pi, "1")
        script.given("radius", "Radius of the face", shown(0.5 * face.length, "depth"), "mm")
        return True
    short, long = sorted((face.length, face.width))
    script.given("short", "Shorter side of the face", shown(short, "depth"), "mm")
    script.given("long", "Longer side of the face", shown(long, "depth"), "mm")
    return False


def _viscosity(approach: Approach, found: dict[str, float]) -> Script:
    script = Script()
    script.given("F", "Force", approach.force.value, "N")
    script.given("tau", "Time in which 1/d^2 doubles, of the fit", found["tau"], "s")
    script.given("d0", "Gap at the start, of the fit", shown(found["start"], "gap"), "um")
    if _sides(script, approach):
        script.step("C", "Factor of a disk", "3 * pi * radius^4 / 2", "mm^4")
    else:
        short, long = sorted((approach.face.length, approach.face.width))
        script.given("c", "Factor of laminar flow for these sides", approach.face.viscous / (short**3 * long), "1")
        script.step("C", "Factor of the rectangle", "c * short^3 * long", "mm^4")
    script.step("viscosity", "Viscosity; um^2 over mm^4 is 1 per m^2", "2 * F * tau * d0^2 / C", "Pa*s")
    return script


def _yield(approach: Approach, found: dict[str, float]) -> Script:
    script = Script()
    script.given("F", "Force", approach.force.value, "N")
    script.given("d_rest", "Gap that the course tends to", shown(found["rest"], "gap"), "um")
    formula = "pi * radius^3 / 3" if _sides(script, approach) else "short^2 * (3 * long - short) / 12"
    script.step("roof", "Volume under a roof of slope 1 on the face", formula, "mm^3")
    script.step("stress", "Yield stress; um over mm^3 is 1000 per m^2", "1000 * F * d_rest / (2 * roof)", "Pa")
    return script
