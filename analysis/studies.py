"""From names of files, results and setups to what a method finds beyond one reduction."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.comparing.difference import difference_of
from analysis.errors import UnreadableFile, Where
from analysis.methods import METHODS
from analysis.output import from_dict
from analysis.results import Outcome, Reduction, Trials
from analysis.runs import Run, Setup, prepare
from analysis.units import parse_quantity

Result = Path | str | Mapping[str, Any] | Reduction


def series(results: Sequence[Result], *, monte_carlo: Trials | int | None = None) -> Outcome:
    """Bulk conductivity and contact impedance from results at several gaps; see `analysis.methods.series`.

    Parameters: `results` at least three paths of result files, result objects, or reductions; `monte_carlo` a seed, or
    `Trials`, to propagate slope, contact impedance and conductivity by Monte Carlo as well.
    Raises UnreadableFile, naming the file and what is wrong, for what is no result.
    """
    read = [_read(result, number=number) for number, result in enumerate(results, start=1)]
    found: Outcome = METHODS["series"](
        [reduction for reduction, _, _ in read],
        names=[name for _, name, _ in read],
        overridden=[overridden for _, _, overridden in read],
        trials=Trials(seed=monte_carlo) if isinstance(monte_carlo, int) else monte_carlo,
    )
    return found


def ageing(results: Sequence[Result], *, figure: str = "thermal_impedance") -> Outcome:
    """How specimens change over time, each against its own start; see `analysis.methods.ageing`."""
    read = [_read(result, number=number) for number, result in enumerate(results, start=1)]
    found: Outcome = METHODS["ageing"](
        [reduction for reduction, _, _ in read],
        names=[name for _, name, _ in read],
        overridden=[overridden for _, _, overridden in read],
        figure=figure,
    )
    return found


def difference(
    one: Result, other: Result, *, figure: str = "thermal_impedance", monte_carlo: Trials | int | None = None
) -> Outcome:
    """`other` less `one` in one figure, what both share counted as shared; see `analysis.comparing.difference`.

    Parameters: `one` and `other` paths of result files, result objects, or reductions; `monte_carlo` a seed, or
    `Trials`, to propagate the difference by Monte Carlo as well.
    """
    first, second = (_read(result, number=number)[0] for number, result in enumerate((one, other), start=1))
    trials = Trials(seed=monte_carlo) if isinstance(monte_carlo, int) else monte_carlo
    return difference_of(first, second, figure=figure, trials=trials)


def cycles(
    run: Run, *, setup: Setup | None = None, zero: Run | None = None, limit: str | float | None = None
) -> Outcome:
    """Figures at each soak of a cycled run and their drift; see `analysis.methods.cycles`.

    Parameters: `run`, `zero` and `setup` as for `reduce`; `limit` the impedance that is asked for, as text with its
    unit (`"25 mm^2*K/W"`) or in m2 K/W.
    """
    trace, rig, zero_trace = prepare(run, setup=setup, zero=zero)
    asked = parse_quantity(limit, "thermal_impedance", where=Where(key="limit")) if isinstance(limit, str) else limit
    found: Outcome = METHODS["cycles"](trace, rig, zero=zero_trace, limit=asked)
    return found


def press(run: Run, *, setup: Setup | None = None, zero: Run | None = None, face: str = "") -> Outcome:
    """How the layer of a run gave way to the force; see `analysis.methods.press`.

    Parameters: `run`, `zero` and `setup` as for `reduce`; `face` "circular", "square", or sides as "30 mm x 40 mm".
    """
    trace, rig, zero_trace = prepare(run, setup=setup, zero=zero)
    found: Outcome = METHODS["press"](trace, rig, zero=zero_trace, face=face)
    return found


def thinning(
    run: Run,
    *,
    setup: Setup | None = None,
    zero: Run | None = None,
    series: Path | str | Mapping[str, Any] | Outcome | None = None,
) -> Outcome:
    """Conductivity from one application whose layer thins under power; see `analysis.methods.thinning`.

    Parameters: `run`, `zero` and `setup` as for `reduce`; `series` an outcome of `series`, or the path of its JSON.
    """
    trace, rig, zero_trace = prepare(run, setup=setup, zero=zero)
    other = series.to_dict() if isinstance(series, Outcome) else series
    if other is not None and not isinstance(other, Mapping):
        other = read_result(Path(other))
    found: Outcome = METHODS["thinning"](trace, rig, zero=zero_trace, series=other)
    return found


def read_result(path: Path) -> dict[str, Any]:
    """The result object in a file that `reduce --json` printed."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        loaded = json.loads(text, parse_float=_number, parse_constant=_number)
    except FileNotFoundError as error:
        raise UnreadableFile("there is no such file", where=Where(path.name)) from error
    except json.JSONDecodeError as error:
        raise UnreadableFile(f"the JSON cannot be read: {error.msg}", where=Where(path.name, error.lineno)) from error
    except (OSError, ValueError, RecursionError) as error:
        raise UnreadableFile(f"the file cannot be read: {error}", where=Where(path.name)) from error
    if not isinstance(loaded, dict):
        raise UnreadableFile("this is no result of a reduction: an object is expected", where=Where(path.name))
    return loaded


def _number(text: str) -> float:
    """A number of a result; ValueError for one that is beyond numbers, which no result has."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"'{text}' is no number of a result")
    return value


def _read(result: Result, *, number: int) -> tuple[Reduction, str, tuple[str, ...]]:
    """A reduction, what to call it, and the flags that a named person has overruled."""
    if isinstance(result, Reduction):
        return result, str(result.run.get("file") or f"result {number}"), ()
    name, data = f"result {number}", result
    if not isinstance(data, Mapping):
        path = Path(data)
        name, data = path.name, read_result(path)
    overridden = data.get("overridden", ())
    codes = tuple(str(code) for code in overridden) if isinstance(overridden, Sequence) else ()
    return from_dict(data, name=name), name, codes
