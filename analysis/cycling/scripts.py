"""How the drift of a cycled run is worked out from the figures of its soaks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.cycling.drifting import Drifting, ends_of
from analysis.quantities import QUANTITIES
from analysis.units import shown
from analysis.worked import Script


def scripts_of(drifts: Mapping[str, Drifting]) -> dict[str, Script]:
    """Change, relative change and drift of the impedance, and change of the gap, from means or single soaks."""
    drift = drifts["thermal_impedance"]
    scripts = {"impedance_change": _change(drift, "thermal_impedance", "R")}
    start = float(drift.best.at(drift.number[0]))
    if start > 0.0:
        relative = _change(drift, "thermal_impedance", "R")
        unit = QUANTITIES["thermal_impedance"].shown
        words = f"Impedance at the start, by the course '{drift.best.shape.name}'"
        relative.given("R0", words, shown(start, "thermal_impedance"), unit)
        relative.step("relative", "Change over the start, in percent", "100 * change / R0", "%")
        scripts["relative_change"] = relative
    slope = _middle_slope(drift)
    if slope is not None:
        scripts["impedance_drift"] = slope
    if "gap" in drifts:
        scripts["gap_change"] = _change(drifts["gap"], "gap", "d")
    return scripts


def _change(drift: Drifting, key: str, letter: str) -> Script:
    """Mean of the last soaks less that of the first."""
    script, unit, n = Script(), QUANTITIES[key].shown, drift.y.size
    ends = ends_of(n)
    for name, rows in (("first", range(ends)), ("last", range(n - ends, n))):
        symbols = [
            script.given(
                f"{letter}{row + 1}",
                f"{QUANTITIES[key].label} at the soak of cycle {drift.number[row]:g}",
                shown(float(drift.y[row]), key),
                unit,
            )
            for row in rows
            if not any(one[0] == f"{letter}{row + 1}" for one in script.known)
        ]
        symbols = [f"{letter}{row + 1}" for row in rows]
        script.step(name, f"Mean of the {name} {ends}", f"({' + '.join(symbols)}) / {ends}", unit)
    script.step("change", "Last less first", "last - first", unit)
    return script


def _middle_slope(drift: Drifting) -> Script | None:
    """The median of the slopes of all pairs: the pair, or the two pairs, that stand in the middle."""
    n = drift.y.size
    first, second = np.triu_indices(n, 1)
    slopes = (drift.y[second] - drift.y[first]) / (drift.number[second] - drift.number[first])
    order = np.argsort(slopes, kind="stable")
    middle = [order[slopes.size // 2]] if slopes.size % 2 else order[slopes.size // 2 - 1 : slopes.size // 2 + 1]
    script, unit = Script(), QUANTITIES["impedance_drift"].shown
    for pair, place in enumerate(middle, start=1):
        for side, row in (("i", int(first[place])), ("j", int(second[place]))):
            script.given(f"n_{side}{pair}", "Number of a cycle", float(drift.number[row]), "1")
            value = shown(float(drift.y[row]), "thermal_impedance")
            script.given(f"R_{side}{pair}", "Thermal impedance at its soak", value, unit)
        words = f"Slope of a pair in the middle of all {slopes.size}, per cycle"
        script.step(f"s{pair}", words, f"(R_j{pair} - R_i{pair}) / (n_j{pair} - n_i{pair})", unit)
    if len(middle) == 2:
        script.step("median", "Half of the slopes are below, half above", "(s1 + s2) / 2", unit)
    stated = float(np.median(slopes))
    return script if np.isclose(stated, drift.slope.value, rtol=1e-9, atol=0.0) else None
