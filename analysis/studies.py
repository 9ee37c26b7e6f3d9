"""From names of files, results and setups to what a method finds beyond one reduction."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.errors import UnreadableFile, Where
from analysis.methods.series import reduce_series
from analysis.output import from_dict
from analysis.results import Outcome, Reduction

Result = Path | str | Mapping[str, Any] | Reduction


def series(results: Sequence[Result]) -> Outcome:
    """Bulk conductivity and contact impedance from results at several gaps; see `analysis.methods.series`.

    Parameters: `results` at least three paths of result files, result objects, or reductions.
    Raises UnreadableFile, naming the file and what is wrong, for what is no result.
    """
    read = [_read(result, number=number) for number, result in enumerate(results, start=1)]
    return reduce_series(
        [reduction for reduction, _, _ in read],
        names=[name for _, name, _ in read],
        overridden=[overridden for _, _, overridden in read],
    )


def read_result(path: Path) -> dict[str, Any]:
    """The result object in a file that `reduce --json` printed."""
    try:
        loaded = json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise UnreadableFile("there is no such file", where=Where(path.name)) from error
    except json.JSONDecodeError as error:
        raise UnreadableFile(f"the JSON cannot be read: {error.msg}", where=Where(path.name, error.lineno)) from error
    except (OSError, ValueError, RecursionError) as error:
        raise UnreadableFile(f"the file cannot be read: {error}", where=Where(path.name)) from error
    if not isinstance(loaded, dict):
        raise UnreadableFile("this is no result of a reduction: an object is expected", where=Where(path.name))
    return loaded


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
