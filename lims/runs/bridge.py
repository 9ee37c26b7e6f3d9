"""Between the laboratory's records and the analysis: files and settings in, plain figures and flags out.

The one module here that knows both. What it returns is plain: dicts, lists, numbers, ready for the database.
"""

from __future__ import annotations

import math
import platform
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from django.core.files.storage import default_storage

from analysis import outcomes as analysis_outcomes
from analysis import results as analysis_results
from analysis import runs as analysis_runs
from analysis.channels import Reading, calibrate
from analysis.errors import AnalysisError
from analysis.figures.layer import layer_figure
from analysis.figures.plotly import figure_json
from analysis.figures.study import drawable, study_figure
from analysis.joining import join
from analysis.methods import METHODS
from analysis.option import Option, read_options
from analysis.output import from_dict, to_dict
from analysis.quantities import QUANTITIES
from analysis.results import Measured, Reduction, Trace
from analysis.rig import frame_compliance, gap_expansion, loss_conductance, repeatability, sensor_offset
from analysis.setup_reading import read_setup
from analysis.steady.zero_run import reduce_zero
from analysis.units import from_si
from analysis.version import VERSION
from analysis.working import figures_worked, working_of
from analysis.working import to_dict as working_to_dict
from lims.core.display import pretty_unit
from lims.files.models import StoredFile
from lims.rigs.selectors import method_setup, setup_at
from lims.runs import traces
from lims.runs.models import Reduction as ReductionRow
from lims.runs.models import Run

LIBRARIES = ("numpy", "scipy", "polars", "pint", "CoolProp", "GTC", "python-calamine")


class Failed(Exception):
    """The analysis could not make a figure; `error` says why and where, `refuses_file` whether the file is at fault."""

    def __init__(self, error: AnalysisError) -> None:
        super().__init__(str(error))
        where = error.where
        self.refuses_file = True
        self.error = {
            "code": error.code,
            "message": error.message,
            "where": str(where),
            "file": where.file,
            "line": where.line,
            "column": where.column,
            "key": where.key,
        }


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The setup a run is reduced with, as a setup file's mapping, and what of the records stands in it."""

    setup: dict[str, Any]
    calibrations: list[int]
    configuration: int | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a reduction found: figures, flags and shared contributions in SI, and the whole result as JSON."""

    method: str
    method_version: str
    figures: dict[str, Any]
    flags: list[dict[str, Any]]
    shared: dict[str, Any]
    result: dict[str, Any]
    package_version: str
    environment: dict[str, str] = field(default_factory=dict)


@contextmanager
def workspace() -> Iterator[Path]:
    """A folder for the files of one reduction, gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="reduction-") as folder:
        yield Path(folder)


def path_of(file: StoredFile, folder: Path) -> Path:
    """Where a stored file can be read: in the storage's own folder, or as a copy in `folder`."""
    try:
        return Path(default_storage.path(file.path))
    except NotImplementedError:  # the storage is no folder of this machine
        path = folder / file.sha256
        with default_storage.open(file.path, "rb") as stored, path.open("wb") as copy:
            shutil.copyfileobj(stored, copy, 1 << 20)
        return path


def snapshot(run: Run, *, at: datetime, window: tuple[float, float] | None = None) -> Snapshot:
    """The setup of a run at a time: what its rig was, what its method asks for, whose sample it is."""
    rig = setup_at(run.rig, at)
    setup: dict[str, Any] = dict(rig["setup"])
    if (application := run.application) is not None:
        setup |= method_setup(application.method_version)
        setup["run"] = {
            "sample": application.sample.code,
            "application": application.code,
            "method": application.method_version.reduction_method,
        }
        if kind := application.sample.material_kind:
            setup["run"]["kind"] = kind
    if window is not None:
        setup["steady"] = {**setup.get("steady", {}), "window": [f"{second!r} s" for second in window]}
    return Snapshot(setup, rig["calibrations"], rig["configuration"])


def read(file: StoredFile, setup: Mapping[str, Any], folder: Path) -> Trace:
    """A stored run file as the analysis reads it; errors call it by the name it came with."""
    try:
        return analysis_runs.read_run(path_of(file, folder), setup=read_setup(setup), name=file.name)
    except AnalysisError as error:
        raise Failed(error) from error


@dataclass(frozen=True, slots=True)
class Second:
    """What a second logger recorded of a run; `offset` [s] how much later it began, None: by both files' clocks."""

    file: StoredFile
    offset: float | None = None


def second_of(reduction: ReductionRow) -> Second | None:
    """The second file that a reduction was made with, as it was joined then."""
    digest = reduction.inputs.get("second")
    if not digest:
        return None
    offset = reduction.result.get("record", {}).get("second_offset_s")
    return Second(StoredFile.objects.get(sha256=digest), offset)


def read_both(file: StoredFile, second: Second | None, setup: Mapping[str, Any], folder: Path) -> Trace:
    """A run as its file tells it, with what a second logger recorded drawn in by time where there is such a file."""
    if second is None:
        return read(file, setup, folder)
    try:
        paths = [_named(one, folder / role) for role, one in (("run", file), ("second", second.file))]
        trace, _ = join(*paths, setup=read_setup(setup), offset=second.offset)
    except AnalysisError as error:
        raise Failed(error) from error
    return trace


def _named(file: StoredFile, folder: Path) -> Path:
    """A stored file under the name it came with, as messages and notes call it."""
    folder.mkdir(exist_ok=True)
    path = folder / (Path(file.name).name or file.sha256)
    if not path.exists():
        path.symlink_to(path_of(file, folder).resolve())
    return path


def reduce(
    trace: Trace, setup: Mapping[str, Any], *, zero: Trace | None = None, zero_after: Trace | None = None
) -> Outcome:
    """Compute the figures of one run by the method its setup names."""
    try:
        return _outcome(analysis_runs.reduce(trace, setup=read_setup(setup), zero=zero, zero_after=zero_after))
    except AnalysisError as error:
        raise Failed(error) from error


READY_SETUP = {
    "rig": {"area": "1000 mm^2", "heat_flow": "electrical"},
    "steady": {"min_duration": "10 s"},
    "channel": [
        {"column": name, "quantity": name, "u": 0.1}
        for name in ("heater_power", "hot_temperature", "cold_temperature", "coolant_in", "coolant_out", "coolant_flow")
    ],
}
READY_ROW = "150,50,45,25,26.1,2"
READY_HEADER = (
    "time [s],heater_power [W],hot_temperature [degC],cold_temperature [degC],coolant_in [degC],coolant_out [degC],"
    "coolant_flow [L/min]"
)


def get_ready() -> None:
    """Load all that a reduction needs by reducing a few made-up rows, so that the first real run does not wait."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ready.csv"
        path.write_text("\n".join([READY_HEADER, *(f"{second},{READY_ROW}" for second in range(60))]) + "\n")
        analysis_runs.reduce(path, setup=READY_SETUP)


def reduce_zero_run(trace: Trace, setup: Mapping[str, Any]) -> Outcome:
    """Read what a zero run says."""
    try:
        return _outcome(reduce_zero(trace, read_setup(setup)))
    except AnalysisError as error:
        raise Failed(error) from error


def keep_rig_run(trace: Trace) -> Outcome:
    """A run for the rig itself: read and kept; what it says is found together with others (`rig_figure`)."""
    run = {"rows": trace.rows, "seconds": trace.seconds}
    return Outcome("rig", VERSION, {}, [], {}, {"figures": {}, "flags": [], "run": run}, VERSION, _environment())


@dataclass(frozen=True, slots=True)
class Finding:
    """A figure of a rig: its quantity, value and uncertainty in SI, and the object that `analysis rig` prints."""

    quantity: str
    measured: Measured
    result: dict[str, Any]


RIG_FIGURES = {
    "loss": loss_conductance,
    "expansion": gap_expansion,
    "offset": sensor_offset,
    "compliance": frame_compliance,
}


def rig_figure(kind: str, runs: Sequence[tuple[Trace, Mapping[str, Any]]]) -> Finding:
    """A figure of a rig from its runs, with the setup of the first one's day."""
    try:
        return _finding(RIG_FIGURES[kind]([trace for trace, _ in runs], read_setup(runs[0][1])))
    except AnalysisError as error:
        raise Failed(error) from error


def rig_floor(results: Sequence[Mapping[str, Any]], *, names: Sequence[str]) -> Finding:
    """The repeatability of a rig from results of a reference sample."""
    try:
        read = [from_dict(result, name=name) for result, name in zip(results, names, strict=True)]
        return _finding(repeatability(read))
    except AnalysisError as error:
        raise Failed(error) from error


def _finding(found: analysis_results.Outcome) -> Finding:
    if not found.figures:
        why = "; ".join(flag.message for flag in found.flags) or "the runs do not bear a figure"
        raise Failed(AnalysisError(why, code="not-defensible"))
    quantity, measured = next(iter(found.figures.items()))
    return Finding(quantity, measured, dict(analysis_outcomes.to_dict(found)))


def _outcome(reduction: Reduction) -> Outcome:
    return Outcome(
        method=reduction.method,
        method_version=reduction.method_version,
        figures={key: _figure(key, measured) for key, measured in reduction.figures.items()},
        flags=[
            {"code": flag.code, "severity": str(flag.severity), "message": flag.message, "figures": list(flag.figures)}
            for flag in reduction.flags
        ],
        shared=_shared(reduction),
        result=to_dict(reduction),
        package_version=reduction.package_version or VERSION,
        environment=_environment(),
    )


def _figure(key: str, measured: Measured) -> dict[str, Any]:
    return {
        "value": measured.value,
        "u": measured.u,
        "dof": measured.dof if math.isfinite(measured.dof) else None,
        "k": measured.k,
        "unit": QUANTITIES[key].unit,
    }


def _shared(reduction: Reduction) -> dict[str, Any]:
    """Contributions common to results of one rig or one zero, by figure: name, source, u in SI with its sign."""
    return {
        key: [
            [line.common, line.source, math.copysign(line.u, line.sensitivity or 1.0)] for line in lines if line.common
        ]
        for key, lines in reduction.budget.items()
        if any(line.common for line in lines)
    }


def _environment() -> dict[str, str]:
    """What the figures were computed by, as far as digits could depend on it."""
    return {"python": platform.python_version(), "machine": platform.machine()} | {
        name: version(name) for name in LIBRARIES
    }


def workings(result: Mapping[str, Any]) -> list[str]:
    """The figures of a result whose working can be shown."""
    try:
        return figures_worked(result)
    except AnalysisError as error:
        raise Failed(error) from error


def working(result: Mapping[str, Any], figure: str) -> dict[str, Any]:
    """How a figure of a result follows from what it was made from, ready for a page."""
    try:
        return working_to_dict(working_of(result, figure))
    except AnalysisError as error:
        raise Failed(error) from error


# Curves ---------------------------------------------------------------------------------------------------------------


def keep_curves(trace: Trace, setup: Mapping[str, Any], *, key: str) -> None:
    """Keep the calibrated channels of a run for drawing, in the units people see."""
    # a zero run may have fewer columns than the setup names
    channels = calibrate(trace, setup=read_setup(setup), partial=True)
    traces.keep(key, time=trace.time, curves=[_curve(reading) for reading in channels.readings])


def _curve(reading: Reading) -> traces.Curve:
    quantity = QUANTITIES[reading.quantity]
    panel = "temperature" if quantity.dimension == "temperature" else quantity.label.lower()
    values = np.asarray(from_si(reading.values(), quantity.shown, reading.quantity))
    return traces.Curve(name=reading.column, panel=panel, unit=pretty_unit(quantity.shown), values=values)


LAYER = ("gap", "hot_temperature", "cold_temperature", "heat_flux")


def layer_drawing(figures: Mapping[str, Any], setup: Mapping[str, Any]) -> dict[str, Any] | None:
    """The temperature through the layer, drawn to scale; None where the run does not tell all of it."""
    conductivity = read_setup(setup).block_conductivity
    if conductivity is None or not set(LAYER) <= set(figures):
        return None
    gap, hot, cold, flux = (measured(figures[key]) for key in LAYER)
    spec = layer_figure(gap=gap, hot=hot, cold=cold, heat_flux=flux.value, block_conductivity=conductivity.value)
    return figure_json(spec, dark=None)


def shown_figure(key: str, entry: Mapping[str, Any]) -> dict[str, Any]:
    """A figure of the records in the unit people see, with its expanded uncertainty."""
    unit = QUANTITIES[key].shown
    zero = float(from_si(0.0, unit, key))
    value, u = float(from_si(float(entry["value"]), unit, key)), float(from_si(float(entry["u"]), unit, key)) - zero
    k = float(entry["k"])
    return {"value": value, "u": u, "k": k, "U95": k * u, "dof": entry.get("dof"), "unit": unit}


def measured(entry: Mapping[str, Any]) -> Measured:
    """A figure of the records as the analysis carries it."""
    dof = entry.get("dof")
    return Measured(float(entry["value"]), float(entry["u"]), math.inf if dof is None else float(dof))


def make_curves_again(run: Run, setup: Mapping[str, Any], *, key: str, second: Second | None = None) -> None:
    """Make the copy for drawing anew from the raw file."""
    if run.file is None:
        return
    with workspace() as folder:
        keep_curves(read_both(run.file, second, setup, folder), setup, key=key)


# Studies: what the methods beside a reduction find --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StudyKind:
    """A method that goes beyond one reduction, as the registry tells it; `of_runs`: it takes results of several."""

    key: str
    label: str
    words: str
    of_runs: bool
    needs: tuple[str, ...]
    version: str  # of the package
    options: tuple[Option, ...] = ()


def study_kinds() -> list[StudyKind]:
    """Every method of the registry that makes no reduction; a new one is here by itself."""
    return [
        StudyKind(
            key=key,
            label=method.label,
            words=_words(method.function.__doc__ or ""),
            of_runs=method.takes == "results",
            needs=method.needs,
            version=VERSION,
            options=method.options,
        )
        for key, method in METHODS.items()
        if not method.reduces
    ]


def _words(docstring: str) -> str:
    """The first sentence of a method's own description, without its sources."""
    return re.sub(r"( \[\d+\],?)+$", "", docstring.strip().split("\n")[0])


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked of a method beside its data: texts by option, and outcomes of other methods by option."""

    texts: Mapping[str, str] = field(default_factory=dict)
    outcomes: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def check_options(method: str, texts: Mapping[str, str]) -> None:
    """Refuse options that a method does not have, or that it cannot read; `Failed` says which."""
    try:
        read_options(METHODS[method].options, texts)
    except AnalysisError as error:
        raise Failed(error) from error


def _options(method: str, asked: Asked) -> dict[str, Any]:
    return read_options(METHODS[method].options, asked.texts) | dict(asked.outcomes)


def study_run(
    method: str, trace: Trace, setup: Mapping[str, Any], *, zero: Trace | None, asked: Asked | None = None
) -> dict[str, Any]:
    """What a method finds in one run: the object that `python -m analysis` prints."""
    try:
        options = _options(method, asked or Asked())
        return dict(METHODS[method](trace, read_setup(setup), zero=zero, **options).to_dict())
    except AnalysisError as error:
        raise Failed(error) from error


def study_results(
    method: str,
    results: Sequence[Mapping[str, Any]],
    *,
    names: Sequence[str],
    overridden: Sequence[Sequence[str]],
    asked: Asked | None = None,
) -> dict[str, Any]:
    """What a method finds in several results: the object that `python -m analysis` prints."""
    try:
        read = [from_dict(result, name=name) for result, name in zip(results, names, strict=True)]
        options = _options(method, asked or Asked())
        return dict(METHODS[method](read, names=names, overridden=overridden, **options).to_dict())
    except AnalysisError as error:
        raise Failed(error) from error


def study_drawing(result: Mapping[str, Any]) -> dict[str, Any] | None:
    """The plot of a study's result; None where it holds nothing to draw."""
    return figure_json(study_figure(result), dark=None) if drawable(result) else None
