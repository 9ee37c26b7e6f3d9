"""The outcome of an ageing series: the paired change of the specimens and its rate."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.output import figure_entry
from analysis.results import BudgetLine, Flag, Measured, Outcome, Reduction, Severity
from analysis.study.scripts import change_script, rate_script
from analysis.study.specimens import FEWEST, LeftOut, Specimen, read_specimens
from analysis.units import from_si, shown, to_si
from analysis.worked import Script

LONG = to_si(1000.0, "h", "time")
_ALIKE = 0.1  # share by which the last ages of the specimens may differ for their changes to be one figure


def reduce_specimens(
    results: Sequence[Reduction],
    *,
    names: Sequence[str],
    overridden: Sequence[Sequence[str]],
    key: str,
    method: tuple[str, str],
) -> Outcome:
    """See `analysis.methods.ageing.reduce_ageing`."""
    specimens, left_out = read_specimens(results, names=names, overridden=overridden, key=key)
    flags = _flags(specimens, left_out)
    figures: dict[str, Measured] = {}
    worked: dict[str, Script] = {}
    if len(specimens) >= FEWEST:
        figures["change_per_1000_h"] = _mean(np.array([one.rate(key) for one in specimens]) * LONG)
        worked["change_per_1000_h"] = rate_script(specimens, key)
        if _alike(specimens):
            figures["relative_change"] = _mean(np.array([one.change(key)[-1] for one in specimens]))
            worked["relative_change"] = change_script(specimens, key)
    return Outcome(
        *method,
        figures=figures,
        budget={
            name: (BudgetLine("scatter from specimen to specimen", one.u, 1.0, "A", one.dof),)
            for name, one in figures.items()
        },
        flags=tuple(flags),
        worked=worked,
        parts={
            "figure": key,
            "specimens": [_entry(one, key) for one in specimens],
            "left_out": [{"name": one.name, "reason": one.reason} for one in left_out],
            "unpaired": _unpaired(specimens, key),
        },
        text=(
            f"ageing series of {len(specimens)} specimens, each against its own start",
            *(
                f"  {one.name}: {100 * one.change(key)[-1]:+.2f} % after {_days(one.age[-1]):.0f} d"
                for one in specimens
            ),
        ),
    )


def _mean(values: np.ndarray) -> Measured:
    """Mean over the specimens with its scatter from one to the next; their starts differ and do not count."""
    n = values.size
    return Measured(float(values.mean()), float(values.std(ddof=1)) / math.sqrt(n), n - 1.0)


def _alike(specimens: Sequence[Specimen]) -> bool:
    last = [float(one.age[-1]) for one in specimens]
    return max(last) - min(last) <= _ALIKE * max(last)


def _flags(specimens: Sequence[Specimen], left_out: Sequence[LeftOut]) -> list[Flag]:
    flags = []
    if len(specimens) < FEWEST:
        why = "; ".join(f"{one.name}: {one.reason}" for one in left_out)
        message = f"{len(specimens)} specimens have a start and a later result, {FEWEST} are needed"
        flags.append(Flag("too_few_specimens", Severity.BLOCKS, message + (f" ({why})" if why else "")))
    moved = [one.name for one in specimens if len(set(one.rigs)) > 1]
    if moved:
        message = f"{', '.join(moved)} changed rig between results: the change holds the difference of the rigs"
        flags.append(Flag("rig_changed", Severity.CAUTIONS, message))
    if len(specimens) >= FEWEST and not _alike(specimens):
        flags.append(
            Flag("ages_differ", Severity.CAUTIONS, "the specimens' last ages differ, so only the rate is given")
        )
    return flags


def _unpaired(specimens: Sequence[Specimen], key: str) -> dict[str, object]:
    """What the same results would tell if the specimens were not told apart: the scatter of their starts counts."""
    if len(specimens) < FEWEST:
        return {}
    first, last = (np.array([one.values[key][row] for one in specimens]) for row in (0, -1))
    n = first.size
    u = math.sqrt((float(first.var(ddof=1)) + float(last.var(ddof=1))) / n) / float(first.mean())
    change = Measured(float(last.mean() / first.mean()) - 1.0, u, 2.0 * (n - 1))
    return {"relative_change": figure_entry(change, "relative_change")}


def _entry(one: Specimen, key: str) -> dict[str, object]:
    return {
        "name": one.name,
        "files": list(one.files),
        "age_days": [_days(float(age)) for age in one.age],
        key: [shown(float(value), key) for value in one.values[key]],
        "relative_change_percent": [shown(float(value), "relative_change") for value in one.change(key)],
    }


def _days(seconds: float) -> float:
    return from_si(seconds, "d", "time")
