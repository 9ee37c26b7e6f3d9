"""From the names of files to a reduction."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from analysis import readers, tables
from analysis.errors import BadSetup, Where
from analysis.methods import METHODS
from analysis.results import Reduction, Trace, Trials
from analysis.setup import RigSetup
from analysis.setup_reading import read_setup, time_column, with_channels, with_monte_carlo, with_window
from analysis.tables import Heading, RawTable, Wanted

Columns = Mapping[str, Sequence[float] | np.ndarray]
Run = Path | str | Trace | Columns
Setup = Path | str | Mapping[str, object] | RigSetup


def reduce(
    run: Run,
    *,
    setup: Setup | None = None,
    zero: Run | None = None,
    zero_after: Run | None = None,
    window: tuple[float, float] | None = None,
    monte_carlo: Trials | int | None = None,
) -> Reduction:
    """Reduce one run to its figures.

    Parameters: `run`, `zero` and `zero_after` are paths, traces, or mappings of columns headed as in a file
    (`"hot [degC]"`); `setup` a path, the mapping of a setup file, or a RigSetup; without it columns are known by their
    names; `window` two times in s of the run, chosen by a person instead of the settled plateau that is found;
    `monte_carlo` a seed, or `Trials`, to propagate every figure by Monte Carlo as well: the result then tells for each
    whether the linear law agrees and which interval is used.
    Raises UnreadableFile, BadSetup or UnitError, each naming the file, the line, the column or the key.
    """
    rig = _setup(run, setup)
    rig = rig if window is None else with_window(rig, window)
    if monte_carlo is not None:
        asked = monte_carlo if isinstance(monte_carlo, Trials) else Trials(seed=monte_carlo)
        rig = with_monte_carlo(rig, asked)
    known = {key: method for key, method in METHODS.items() if method.reduces}
    if rig.method not in known:
        raise BadSetup(f"'{rig.method}' is no method; known: {', '.join(known)}", where=Where(key="[run] method"))
    reduction: Reduction = known[rig.method](
        _trace(run, rig),
        rig,
        zero=None if zero is None else _trace(zero, rig),
        zero_after=None if zero_after is None else _trace(zero_after, rig),
        window=rig.window,
    )
    return reduction


def prepare(run: Run, *, setup: Setup | None = None, zero: Run | None = None) -> tuple[Trace, RigSetup, Trace | None]:
    """A run, its rig's setup and its zero, read as `reduce` reads them."""
    rig = _setup(run, setup)
    return _trace(run, rig), rig, None if zero is None else _trace(zero, rig)


def read_run(path: Path | str, *, setup: RigSetup | None = None, name: str = "") -> Trace:
    """A run file as a trace of the columns that the setup names; `name` is what errors call the file.

    A column that the setup names and the file lacks is left out here and refused when it is needed: a zero run may
    have been recorded with fewer channels.
    """
    opened = readers.open_run(path, name=name)
    rig = setup or read_setup({})
    if not rig.channels:
        rig = with_channels(rig, opened.headings, file=opened.file)
    return opened.read(_wanted(rig, opened.headings, opened.file))


def trace_of(columns: Columns, *, setup: RigSetup | None = None, name: str = "arrays") -> Trace:
    """A trace out of arrays in memory, headed as in a file: `{"time [s]": t, "hot [degC]": hot}`."""
    found = tables.checked_headings(list(columns), file=name, line=1)
    rig = setup or with_channels(read_setup({}), found, file=name)
    wanted = _wanted(rig, found, name)
    values = {
        heading.name: np.array(data, dtype=np.float64) for heading, data in zip(found, columns.values(), strict=True)
    }
    digest = hashlib.sha256()
    for heading, data in zip(found, values.values(), strict=True):
        if data.shape != (len(values[wanted.time]),):
            raise BadSetup(f"the columns have different lengths: {data.shape}", where=Where(name, None, heading.name))
        digest.update(f"{heading.name} [{heading.unit}]".encode() + data.tobytes())
    raw = RawTable(
        headings=found,
        columns={column: values[column] for column in wanted.columns},
        sha256=digest.hexdigest(),
        seconds=values[wanted.time],
    )
    return tables.make_trace(raw, wanted=wanted, file=name)


def _setup(run: Run, setup: Setup | None) -> RigSetup:
    """The setup, its channels known by their names where it lists none."""
    rig = setup if isinstance(setup, RigSetup) else read_setup({} if setup is None else setup)
    if rig.channels:
        return rig
    if isinstance(run, Trace):
        found = tuple(Heading(name, run.units.get(name, "")) for name in (*run.columns, *run.unread))
        return with_channels(rig, found, file=run.file)
    if isinstance(run, Mapping):
        return with_channels(rig, tuple(tables.parse_heading(name) for name in run))
    return with_channels(rig, readers.open_run(run).headings, file=Path(run).name)


def _trace(run: Run, setup: RigSetup) -> Trace:
    if isinstance(run, Trace):
        return run
    if isinstance(run, Mapping):
        return trace_of(run, setup=setup)
    return read_run(run, setup=setup)


def _wanted(setup: RigSetup, headings: Sequence[Heading], file: str) -> Wanted:
    time = time_column(setup, headings, file=file)
    known = {heading.name for heading in headings}
    return Wanted(
        time=time.column,
        columns=tuple(c.column for c in setup.channels if c.quantity != "time" and c.column in known),
        time_unit=time.unit,
        time_zone=setup.time_zone,
    )
