"""The points of a thickness series: gap and impedance of each result, and the errors that several of them share."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.quantities import QUANTITIES
from analysis.results import Array, BudgetLine, Measured, Reduction, Severity
from analysis.units import shown

NEEDED = ("gap", "thermal_impedance")
_MOST = {"gap": 0.1, "thermal_impedance": 1.0}  # [m], [m2 K/W]: beyond any layer; common practice, no source


@dataclass(frozen=True, slots=True)
class Point:
    """One result of the series: its number in the order given, what it is called, gap [m] and impedance [m2 K/W]."""

    number: int
    name: str
    sample: str
    application: str
    gap: Measured
    impedance: Measured
    pressure: Measured | None
    temperature: float | None  # [K] mean of both faces
    lines: Mapping[str, tuple[BudgetLine, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A result that is no point of the series, and why."""

    number: int
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class Shared:
    """One error common to several points: what it adds to each gap [m] and each impedance, shapes (n,), signed."""

    source: str
    common: str
    on_gap: Array
    on_impedance: Array


@dataclass(frozen=True, slots=True)
class Points:
    """All points as arrays: values, independent parts of their uncertainties, and the shared errors."""

    points: tuple[Point, ...]
    gap: Array
    impedance: Array
    u_gap: Array  # independent part
    u_impedance: Array  # independent part
    shared: tuple[Shared, ...]


def read_points(
    results: Sequence[Reduction], *, names: Sequence[str], overridden: Sequence[Sequence[str]] = ()
) -> tuple[tuple[Point, ...], tuple[LeftOut, ...]]:
    """The results that can be points, and those that cannot; `overridden` are flags a named person has overruled."""
    points: list[Point] = []
    left_out: list[LeftOut] = []
    for number, result in enumerate(results):
        name = names[number] if number < len(names) else str(result.run.get("file") or f"result {number + 1}")
        ignored = overridden[number] if number < len(overridden) else ()
        reason = _unfit(result, ignored)
        if reason:
            left_out.append(LeftOut(number, name, reason))
        else:
            points.append(_point(number, name, result))
    return tuple(points), tuple(left_out)


def _unfit(result: Reduction, overridden: Sequence[str]) -> str:
    for key in NEEDED:
        if key not in result.figures:
            return f"it has no {QUANTITIES[key].label.lower()}"
        figure = result.figures[key]
        if not (math.isfinite(figure.value) and math.isfinite(figure.u) and figure.u > 0.0):
            return f"its {QUANTITIES[key].label.lower()} has no value with an uncertainty"
        if max(abs(figure.value), figure.u) > _MOST[key]:
            return f"its {QUANTITIES[key].label.lower()} is beyond any layer"
    for flag in result.flags:
        touches = not flag.figures or set(flag.figures) & set(NEEDED)
        if flag.severity is Severity.BLOCKS and touches and flag.code not in overridden:
            return f"{flag.code}: {flag.message}"
    return ""


def _point(number: int, name: str, result: Reduction) -> Point:
    faces = [result.figures.get(key) for key in ("hot_temperature", "cold_temperature")]
    known = [face.value for face in faces if face is not None]
    return Point(
        number=number,
        name=name,
        sample=str(result.run.get("sample") or ""),
        application=str(result.run.get("application") or ""),
        gap=result.figures["gap"],
        impedance=result.figures["thermal_impedance"],
        pressure=result.figures.get("pressure"),
        temperature=sum(known) / len(known) if len(known) == 2 else None,
        lines={key: result.budget.get(key, ()) for key in NEEDED},
    )


def gathered(points: Sequence[Point]) -> Points:
    """The points as arrays, their uncertainties parted into what is each one's own and what several share.

    Budget lines of one source and one `common` are one and the same error wherever they stand. Its sign is that of the
    line's sensitivity; a line without one adds the same way to every figure of its kind.
    """
    n = len(points)
    where: dict[tuple[str, str], list[Array]] = {}
    for row, point in enumerate(points):
        for column, key in enumerate(NEEDED):
            for line in point.lines[key]:
                if line.common:
                    both = where.setdefault((line.common, line.source), [np.zeros(n), np.zeros(n)])
                    whole = point.gap.u if key == "gap" else point.impedance.u
                    both[column][row] += math.copysign(min(abs(line.u), whole), line.sensitivity or 1.0)
    shared = tuple(
        Shared(source, common, gaps, impedances)
        for (common, source), (gaps, impedances) in where.items()
        if np.count_nonzero((gaps != 0.0) | (impedances != 0.0)) > 1
    )
    own = [_own(points, key, [s.on_gap if key == "gap" else s.on_impedance for s in shared]) for key in NEEDED]
    return Points(
        points=tuple(points),
        gap=np.array([point.gap.value for point in points]),
        impedance=np.array([point.impedance.value for point in points]),
        u_gap=own[0],
        u_impedance=own[1],
        shared=shared,
    )


def _own(points: Sequence[Point], key: str, shared: Sequence[Array]) -> Array:
    """What is left of each combined uncertainty when the shared parts are taken out, never below a thousandth of it."""
    combined = np.array([(point.gap if key == "gap" else point.impedance).u for point in points])
    squares = combined**2 - sum((part**2 for part in shared), np.zeros(len(points)))
    tolerance = 1e-3 * combined
    return np.sqrt(np.maximum(squares, tolerance**2))


def described(point: Point) -> str:
    """A point in words: its file and its gap."""
    return f"{point.name} ({shown(point.gap.value, 'gap'):.1f} um)"
