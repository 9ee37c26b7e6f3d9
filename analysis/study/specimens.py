"""The results of an ageing series by specimen, each against its own start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from analysis.results import Array, Reduction, Severity
from analysis.statistics.regression import fit_line

_MOST = 1e3  # SI: beyond any figure of a layer
FEWEST = 2  # specimens whose changes show their own scatter


@dataclass(frozen=True, slots=True)
class Specimen:
    """One specimen: ages [s] since its first result, and values by figure, shape (n,), n >= 2; its rigs and files."""

    name: str
    age: Array
    values: dict[str, Array]
    rigs: tuple[str, ...]
    files: tuple[str, ...]

    def change(self, key: str) -> Array:
        """Each value relative to the specimen's own first, less one."""
        return np.asarray(self.values[key] / self.values[key][0] - 1.0)

    def rate(self, key: str) -> float:
        """Least-squares slope of the value relative to the first [1/s]."""
        return fit_line(self.age, y=self.values[key] / self.values[key][0]).slope


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A result, or a specimen, that tells no change, and why."""

    name: str
    reason: str


def read_specimens(
    results: Sequence[Reduction], *, names: Sequence[str], overridden: Sequence[Sequence[str]], key: str
) -> tuple[tuple[Specimen, ...], tuple[LeftOut, ...]]:
    """The specimens that have at least two results at different times."""
    found: dict[str, list[tuple[datetime, str, Reduction]]] = {}
    left_out: list[LeftOut] = []
    for number, result in enumerate(results):
        name = names[number] if number < len(names) else f"result {number + 1}"
        ignored = overridden[number] if number < len(overridden) else ()
        start, reason = _start(result), _unfit(result, key, ignored)
        specimen = str(result.run.get("application") or result.run.get("sample") or "")
        if start is None:
            reason = reason or "it does not tell when it was taken"
        if not specimen:
            reason = reason or "it does not tell which application or sample it is of"
        if reason or start is None:
            left_out.append(LeftOut(name, reason))
        else:
            found.setdefault(specimen, []).append((start, name, result))
    specimens = []
    for specimen, entries in found.items():
        made = _specimen(specimen, sorted(entries, key=lambda entry: entry[0]), key)
        if made is None:
            left_out.append(LeftOut(specimen, "it has no second result at a later time"))
        else:
            specimens.append(made)
    return tuple(specimens), tuple(left_out)


def _specimen(name: str, entries: Sequence[tuple[datetime, str, Reduction]], key: str) -> Specimen | None:
    age = np.array([(start - entries[0][0]).total_seconds() for start, _, _ in entries])
    if age.size < 2 or age[-1] <= 0.0:
        return None
    return Specimen(
        name=name,
        age=age,
        values={key: np.array([result.figures[key].value for _, _, result in entries])},
        rigs=tuple(_rig(result) for _, _, result in entries),
        files=tuple(file for _, file, _ in entries),
    )


def _start(result: Reduction) -> datetime | None:
    try:
        start = datetime.fromisoformat(str(result.run["start"]))
    except (KeyError, ValueError):
        return None
    return start if start.tzinfo is not None else None


def _unfit(result: Reduction, key: str, overridden: Sequence[str]) -> str:
    figure = result.figures.get(key)
    if figure is None or not 0.0 < figure.value < _MOST:
        return f"it has no {key.replace('_', ' ')}"
    for flag in result.flags:
        touches = not flag.figures or key in flag.figures
        if flag.severity is Severity.BLOCKS and touches and flag.code not in overridden:
            return f"{flag.code}: {flag.message}"
    return ""


def _rig(result: Reduction) -> str:
    rig = result.setup.get("rig")
    return str(rig.get("name") or "") if isinstance(rig, dict) else ""
