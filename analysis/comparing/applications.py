"""From runs to applications: what counts once, and what applications share.

The application is the unit of replication. The runs of one application are averaged into one value; a file read twice
counts once. Contributions that results share by name are kept apart, so that they can cancel in differences.

1. JCGM 100:2008, 5.2 (correlated inputs), F.1.2.3 (a common effect).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.comparing.matching import LeftOut, Reason, Result, leave_out

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Application:
    """One application of one sample: the mean of its runs."""

    sample: str
    name: str
    value: float
    common: Mapping[tuple[str, str], float]  # (name, source) -> signed contribution shared with others of that name
    own: float  # variance from the run's budget that is shared with no other
    runs: tuple[Result, ...]


def without_repeats(results: Sequence[Result], figure: str) -> tuple[list[Result], tuple[LeftOut, ...]]:
    """One result a recording: of a file read twice for one application the last counts, of copies the first."""
    last = {_recording(result): result for result in results}
    kept: list[Result] = []
    repeated: list[LeftOut] = []
    copies: dict[tuple[str, float], Result] = {}
    for result in results:
        original = last[_recording(result)]
        if original is not result:
            repeated.append(leave_out(result, (_counted("the same recording read anew as", original),), figure=figure))
            continue
        measured = result.figures.get(figure)
        first = copies.setdefault((result.digest, measured.value), result) if result.digest and measured else result
        if first is result:
            kept.append(result)
        else:
            repeated.append(leave_out(result, (_counted("the same recording as", first),), figure=figure))
    return kept, tuple(repeated)


def _recording(result: Result) -> tuple[str, str, str]:
    return result.sample, result.application, result.digest or result.id


def _counted(how: str, other: Result) -> Reason:
    where = f"{other.id} (sample {other.sample or 'not named'}, application {other.application or 'not named'})"
    return Reason("repeated", f"{how} {where}; it counts once", "a new application of the sample would count")


def by_sample(used: Sequence[Result], figure: str) -> list[list[Application]]:
    """Applications by sample. Runs that name no application count as one application of their sample."""
    gathered: dict[tuple[str, str], list[Result]] = {}
    for result in used:
        gathered.setdefault((result.sample, result.application), []).append(result)
    samples: dict[str, list[Application]] = {}
    for (sample, name), runs in sorted(gathered.items(), key=lambda entry: entry[0]):
        value = math.fsum(run.figures[figure].value for run in runs) / len(runs)
        common = _common(runs, figure)
        total = math.fsum(run.figures[figure].u ** 2 for run in runs if math.isfinite(run.figures[figure].u)) / len(
            runs
        )
        own = max(total - math.fsum(u * u for u in common.values()), 0.0)
        samples.setdefault(sample, []).append(Application(sample, name, value, common, own, tuple(runs)))
    return list(samples.values())


def _common(runs: Sequence[Result], figure: str) -> dict[tuple[str, str], float]:
    """Shared contributions to the mean of `runs`, by name and source, with the sign of their sensitivity."""
    total: dict[tuple[str, str], float] = {}
    for run in runs:
        for line in run.budget.get(figure, ()):
            if line.common and math.isfinite(line.u):
                key = (line.common, line.source)
                total[key] = total.get(key, 0.0) + math.copysign(line.u, line.sensitivity or 1.0) / len(runs)
    return total


def shared_effects(samples: Sequence[Sequence[Application]]) -> Array:
    """Shared contributions to each sample's mean, shape (samples, causes): what an application lacks counts nought."""
    columns = {key: None for sample in samples for one in sample for key in one.common}
    place = {key: number for number, key in enumerate(columns)}
    table = np.zeros((len(samples), len(columns)))
    for row, sample in enumerate(samples):
        for one in sample:
            for key, u in one.common.items():
                table[row, place[key]] += u / len(sample)
    return table


def unshared_variance(table: Array) -> Array:
    """Variance that shared causes leave in each difference: the square of what both do not carry alike. [1]"""
    squares = np.sum(table**2, axis=1)
    left = squares[:, None] + squares[None, :] - 2.0 * table @ table.T
    return np.where(left > 1e-12 * (squares[:, None] + squares[None, :]), left, 0.0)
