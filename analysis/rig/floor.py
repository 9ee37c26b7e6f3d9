"""The repeatability floor: how far applications of one reference lie apart on a rig."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from scipy import stats

from analysis.quantities import QUANTITIES
from analysis.results import Flag, Outcome, Reduction, Severity
from analysis.rig.outcome import VERSION
from analysis.statistics.uncertainty import Estimate, Source, evaluate
from analysis.units import shown
from analysis.worked import Script

_FEWEST = 3  # applications


def repeatability(results: Sequence[Reduction], *, figure: str = "thermal_impedance") -> Outcome:
    """Repeatability floor of a rig: relative standard deviation between applications of a reference, with interval.

    Parameters: `results` reductions of at least three applications of one reference sample, or of several samples
    whose scatters are pooled. Formula: s^2 = sum over samples of squared deviations from the sample's mean, relative
    to it, over the degrees of freedom; its 95 % interval by the chi-squared distribution. [1]

    1. ISO 5725-2, repeatability standard deviation; interval as in any text on statistics.
    """
    groups: dict[str, list[float]] = {}
    for result in results:
        if figure in result.figures and not result.blocked:
            groups.setdefault(str(result.run.get("sample", "")), []).append(result.figures[figure].value)
    used = {name: np.array(values) for name, values in groups.items() if len(values) > 1}
    dof = sum(values.size - 1 for values in used.values())
    if dof < _FEWEST - 1:
        why = f"{sum(map(len, groups.values()))} usable results; at least three applications of one sample are needed"
        return _floor_outcome(Flag("too_few", Severity.BLOCKS, why))
    squares = sum(float(((values / values.mean() - 1.0) ** 2).sum()) for values in used.values())
    s = math.sqrt(squares / dof)
    low, high = (s * math.sqrt(dof / float(stats.chi2.ppf(p, dof))) for p in (0.975, 0.025))
    source = Source("so few applications", s / math.sqrt(2.0 * dof), "A", dof)
    measured, budget = evaluate(Estimate(s), extra=(source,))
    rows = [
        {"sample": name, "applications": int(v.size), "mean": shown(float(v.mean()), figure)}
        for name, v in used.items()
    ]
    return Outcome(
        method="rig floor",
        method_version=VERSION,
        figures={"repeatability": measured},
        budget={"repeatability": budget},
        parts={
            "figure": figure,
            "unit": QUANTITIES[figure].shown,
            "degrees_of_freedom": dof,
            "interval_percent": [100.0 * low, 100.0 * high],
            "samples": rows,
        },
        text=(
            f"{QUANTITIES[figure].label}: {dof} degrees of freedom, 95 % interval "
            f"{100 * low:.2g} % to {100 * high:.2g} %",
        ),
        worked={"repeatability": _script(used, figure, dof)},
    )


def _script(used: Mapping[str, np.ndarray], figure: str, dof: int) -> Script:
    """Relative deviations of all applications from the means of their samples."""
    script, squares, unit = Script(), [], QUANTITIES[figure].shown
    for place, (name, values) in enumerate(used.items(), start=1):
        of = name or "the reference"
        symbols = [f"y{place}_{row}" for row in range(1, values.size + 1)]
        for symbol, value in zip(symbols, values.tolist(), strict=True):
            script.given(symbol, f"{QUANTITIES[figure].label} of one application of {of}", shown(value, figure), unit)
        mean = script.step(f"m{place}", f"Mean of {of}", f"({' + '.join(symbols)}) / {values.size}", unit)
        squares += [f"({symbol} / {mean} - 1)^2" for symbol in symbols]
    script.step("s", "Relative standard deviation, in percent", f"100 * sqrt(({' + '.join(squares)}) / {dof})", "%")
    return script


def _floor_outcome(flag: Flag) -> Outcome:
    return Outcome(method="rig floor", method_version=VERSION, flags=(flag,), text=("no figure",))
