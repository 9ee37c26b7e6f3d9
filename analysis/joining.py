"""Two files of one run, recorded by two loggers with clocks of their own, joined into one trace by time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis import readers
from analysis.errors import BadSetup, Where
from analysis.results import Array, Trace
from analysis.runs import Setup
from analysis.setup import RigSetup
from analysis.setup_reading import read_setup, time_column, with_channels
from analysis.tables import Opened, Wanted
from analysis.units import parse_quantity

_GAP = 3.0  # typical steps of the other file that are bridged by a straight line; common practice, no source


def join(
    run: Path | str, other: Path | str, *, setup: Setup | None = None, offset: str | float | None = None
) -> tuple[Trace, RigSetup]:
    """One trace of a run and of what a second logger recorded, and the setup that reads it.

    Parameters: `run` and `other` paths of the two files; `setup` as for `analysis.reduce`, its channels named by the
    columns of either file; `offset` how much later the other file began than the run, as text with its unit
    (`"2.5 s"`) or in s. Without it both files must tell when they began.
    The instants are the run's. The other file's columns are drawn straight from reading to reading, but never over
    more than three of its usual steps; where there is none the value is missing. The notes say what was done.
    Raises BadSetup where the clocks cannot be brought together or the files do not overlap.
    """
    files = (readers.open_run(run), readers.open_run(other))
    rig = _setup(setup, files)
    first, second = (_read(opened, rig) for opened in files)
    shift = _shift(first, second, offset)
    return _joined(first, second, shift=shift, stated=offset is not None), rig


def _setup(setup: Setup | None, files: tuple[Opened, Opened]) -> RigSetup:
    """The setup, its channels known by the names in both files where it lists none."""
    rig = setup if isinstance(setup, RigSetup) else read_setup({} if setup is None else setup)
    if rig.channels:
        return rig
    first, second = (opened.headings for opened in files)
    times = {time_column(rig, opened.headings, file=opened.file).column for opened in files[1:]}
    known = {heading.name for heading in first}
    return with_channels(rig, (*first, *(one for one in second if one.name not in known | times)), file=files[0].file)


def _read(opened: Opened, rig: RigSetup) -> Trace:
    """The columns of one of the two files that the setup names; each file has a time column of its own."""
    names = {heading.name for heading in opened.headings}
    own = tuple(channel for channel in rig.channels if channel.quantity != "time" or channel.column in names)
    time = time_column(replace(rig, channels=own), opened.headings, file=opened.file)
    wanted = tuple(channel.column for channel in own if channel.quantity != "time" and channel.column in names)
    return opened.read(Wanted(time.column, wanted, time_unit=time.unit, time_zone=rig.time_zone))


def _shift(run: Trace, other: Trace, offset: str | float | None) -> float:
    """What is added to the other file's seconds to have them on the run's clock."""
    if isinstance(offset, str):
        return parse_quantity(offset, "time", where=Where(key="offset"))
    if offset is not None:
        return float(offset)
    silent = [trace.file for trace in (run, other) if trace.start is None]
    if run.start is None or other.start is None:
        raise BadSetup(
            f"{' and '.join(silent)} {'does' if len(silent) == 1 else 'do'} not tell when it began; state how much "
            'later the other file began than the run, such as --offset "2.5 s"',
            where=Where(key="offset"),
        )
    return (other.start - run.start).total_seconds()


@dataclass(frozen=True, slots=True)
class _Drawn:
    """A column of the other file on the run's instants, nan where no neighbours are near enough."""

    values: Array
    missing: int


def _joined(run: Trace, other: Trace, *, shift: float, stated: bool) -> Trace:
    time = other.time + shift
    if time[0] > run.time[-1] or time[-1] < run.time[0]:
        raise BadSetup(
            f"{other.file} covers {time[0]:.6g} s to {time[-1]:.6g} s of the run, which lasts from {run.time[0]:.6g} s "
            f"to {run.time[-1]:.6g} s: they do not overlap",
            where=Where(key="offset"),
        )
    widest = _GAP * _usual_step(time)
    added = {
        name: _drawn(run.time, time=time, values=np.asarray(values, dtype=np.float64), widest=widest)
        for name, values in other.columns.items()
        if name not in run.columns
    }
    columns = {**run.columns, **{name: _frozen(drawn.values) for name, drawn in added.items()}}
    units = {**{name: other.units.get(name, "") for name in added}, **run.units}
    notes = {**run.notes, "joined with": _told(run, other, added, shift=shift, stated=stated, widest=widest)}
    unread = tuple(name for name in (*run.unread, *other.unread) if name not in columns)
    return replace(run, columns=columns, units=units, notes=notes, unread=tuple(dict.fromkeys(unread)))


def _told(run: Trace, other: Trace, added: dict[str, _Drawn], *, shift: float, stated: bool, widest: float) -> str:
    how = "as stated" if stated else "by the clocks of both files"
    missing = max((drawn.missing for drawn in added.values()), default=0)
    text = (
        f"{other.file} (SHA-256 {other.sha256}), which began {shift:.6g} s after {run.file} {how}; "
        f"columns: {', '.join(added) or 'none'}, drawn straight between readings at most {widest:.4g} s apart"
    )
    if missing:
        text += f"; {missing} of {run.rows} instants have no reading"
    twice = [name for name in other.columns if name in run.columns]
    return text + (f"; also in {run.file} and taken from there: {', '.join(twice)}" if twice else "")


def _drawn(instants: Array, *, time: Array, values: Array, widest: float) -> _Drawn:
    """`values` at `instants` by straight lines between finite readings at most `widest` [s] apart."""
    there = np.isfinite(values)
    if not there.any():
        return _Drawn(np.full(instants.shape, np.nan), int(instants.size))
    t, y = time[there], values[there]
    drawn = np.interp(instants, t, y, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(t, instants), 1, max(t.size - 1, 1))
    if t.size > 1:
        exact = (t[after] == instants) | (t[after - 1] == instants)
        drawn[(t[after] - t[after - 1] > widest) & ~exact] = np.nan
    return _Drawn(drawn, int(np.isnan(drawn).sum()))


def _usual_step(time: Array) -> float:
    return float(np.median(np.diff(time))) if time.size > 1 else 0.0


def _frozen(values: Array) -> Array:
    values.flags.writeable = False
    return values
