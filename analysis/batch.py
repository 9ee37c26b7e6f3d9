"""Many runs, listed in a manifest: one line of JSON a run, in the manifest's order. One bad row never stops the others.

Workers are started afresh (`spawn`): polars must not be used in a forked child.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from analysis.errors import AnalysisError, UnreadableFile, Where
from analysis.runs import reduce
from analysis.setup import RigSetup
from analysis.setup_reading import read_setup

COLUMNS = ("run", "setup", "zero", "zero_after")
Line = tuple[int, str]  # exit code and the line of JSON
Progress = Callable[[int, int, int], None]  # done, total, unreadable

_FIGURES, _UNEXPECTED, _UNREADABLE, _NO_FIGURES = 0, 1, 2, 3
_AT_ONCE, _SHARES = 16, 8  # rows handed to a worker at once at most; parts a worker gets of a batch at least
_THREADS = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a manifest: paths, None where blank; `problem` says why it cannot be run at all."""

    run: Path
    setup: Path | None = None
    zero: Path | None = None
    zero_after: Path | None = None
    problem: str = ""


def run(manifest: Path, *, out: Path, workers: int = 1, progress: Progress | None = None) -> list[int]:
    """Reduce every row of `manifest`, write the results to `out`, and return the rows' exit codes."""
    rows = read_manifest(manifest)
    codes: list[int] = []
    try:
        with out.open("w", encoding="utf-8") as stream:
            for code, text in _lines(rows, workers):
                stream.write(text + "\n")
                stream.flush()
                codes.append(code)
                if progress is not None:
                    progress(len(codes), len(rows), sum(code in (_UNEXPECTED, _UNREADABLE) for code in codes))
    except OSError as error:
        raise UnreadableFile(f"the results cannot be written: {error.strerror}", where=Where(out.name)) from error
    return codes


def read_manifest(path: Path) -> list[Row]:
    """The rows of a manifest; its paths are relative to it."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise UnreadableFile("there is no such file", where=Where(path.name)) from error
    except (OSError, UnicodeDecodeError) as error:
        raise UnreadableFile(f"the manifest cannot be read: {error}", where=Where(path.name)) from error
    reader = csv.reader(text.splitlines())
    names = [name.strip() for name in next(reader, [])]
    if "run" not in names:
        raise UnreadableFile(f"expected a header with the columns {', '.join(COLUMNS)}", where=Where(path.name, 1))
    for name in names:
        if name not in COLUMNS:
            raise UnreadableFile(
                f"is no column of a manifest; known: {', '.join(COLUMNS)}", where=Where(path.name, 1, name)
            )
    return [_row(path, reader.line_num, names, cells) for cells in reader if any(cell.strip() for cell in cells)]


def _row(path: Path, line: int, names: Sequence[str], cells: Sequence[str]) -> Row:
    given = {name: cell.strip() for name, cell in zip(names, cells, strict=False)}
    places = {name: path.parent / given[name] if given.get(name) else None for name in COLUMNS}
    problem = ""
    if len(cells) > len(names) and any(cell.strip() for cell in cells[len(names) :]):
        problem = f"{Where(path.name, line)}: expected {len(names)} cells, found {len(cells)}"
    elif places["run"] is None:
        problem = f"{Where(path.name, line, 'run')}: names no run"
    return Row(places["run"] or path, places["setup"], places["zero"], places["zero_after"], problem)


def reduce_row(row: Row) -> dict[str, Any]:
    """The line of one row: the result with `exit`, or `exit` and `error`."""
    if row.problem:
        return {"exit": _UNREADABLE, "error": row.problem}
    try:
        setup = None if row.setup is None else _setup(row.setup)
        reduction = reduce(row.run, setup=setup, zero=row.zero, zero_after=row.zero_after)
    except AnalysisError as error:
        return {"exit": _UNREADABLE, "error": str(error)}
    except Exception as error:  # noqa: BLE001 - one row, whatever is wrong with it, never stops the others
        return {"exit": _UNEXPECTED, "error": f"{row.run.name}: unexpected {type(error).__name__}: {error}"}
    return reduction.to_dict() | {"exit": _FIGURES if reduction.figures else _NO_FIGURES}


@lru_cache(maxsize=256)
def _setup(path: Path) -> RigSetup:
    """A setup, read once a worker: a batch names the same few again and again."""
    return read_setup(path)


def _written(rows: Sequence[Row]) -> list[Line]:
    """The lines of some rows, written where they are made, so that the one who gathers them has little to do."""
    lines = [reduce_row(row) for row in rows]
    return [(int(line["exit"]), json.dumps(line, allow_nan=False)) for line in lines]


def _lines(rows: Sequence[Row], workers: int) -> Iterator[Line]:
    if workers == 1 or len(rows) < 2:
        for row in rows:
            yield from _written([row])
        return
    size = max(1, min(_AT_ONCE, len(rows) // (workers * _SHARES)))
    parts = [rows[start : start + size] for start in range(0, len(rows), size)]
    with _few_threads(workers), _pool(min(workers, len(parts))) as pool:
        futures = [pool.submit(_written, part) for part in parts]
        for part, future in zip(parts, futures, strict=True):
            yield from _gathered(part, future)


def _gathered(rows: Sequence[Row], future: Future[list[Line]]) -> list[Line]:
    """The lines of some rows; where a worker died, each is tried once more in a process of its own."""
    try:
        return future.result()
    except BrokenProcessPool:
        return [_alone(row) for row in rows]


def _alone(row: Row) -> Line:
    try:
        with _pool(1) as alone:
            return alone.submit(_written, [row]).result()[0]
    except BrokenProcessPool:
        line = {"exit": _UNEXPECTED, "error": f"{row.run.name}: the process died, perhaps for lack of memory"}
        return _UNEXPECTED, json.dumps(line)


def _pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(max_workers=workers, mp_context=get_context("spawn"))


@contextmanager
def _few_threads(workers: int) -> Iterator[None]:
    """Workers share the processors instead of each taking all of them."""
    share = str(max(1, (os.cpu_count() or 1) // workers))
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, share))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
