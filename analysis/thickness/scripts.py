"""How conductivity and contact impedance are worked out from the points of a line."""

from __future__ import annotations

from analysis.quantities import QUANTITIES
from analysis.thickness.line import Line
from analysis.thickness.points import Points
from analysis.worked import Axis, Script, line_script


def scripts_of(points: Points, line: Line) -> dict[str, Script]:
    """Both figures of the line: um over mm2 K/W is W/(m K), so no factor stands between them."""
    key = "thermal_impedance"
    gap = Axis("Gap", "gap", QUANTITIES["gap"].shown, points.gap, points.u_gap)
    impedance = Axis("Impedance", key, QUANTITIES[key].shown, points.impedance, points.u_impedance)
    scripts = {name: line_script(line.fit, gap, impedance) for name in ("contact_impedance", "conductivity")}
    scripts["conductivity"].step("k", "Conductivity", "1 / slope", QUANTITIES["conductivity"].shown)
    return scripts
