"""Runs with figures, made by the services, with what the analysis found given by the test."""

from __future__ import annotations

import io
import itertools
from typing import Any

from lims.accounts.roles import Role
from lims.rigs.models import MethodVersion, Rig
from lims.runs import bridge
from lims.runs.models import Application, Run
from lims.runs.reducing import Inputs, Zeros, claim_reduction, finish_reduction
from lims.runs.services.runs import upload_run
from lims.samples.models import Sample
from tests.factories import make_application, make_sample, somebody

COUNTER = itertools.count(1)


def figures_of(rise: float, *, pressure: float = 250e3, u: float = 0.05, **more: float) -> dict[str, Any]:
    """Figures as a reduction stores them, for a temperature rise [K] at 147 W."""
    values = {
        "temperature_rise": (rise, u, "K"),
        "thermal_impedance": (rise * 1e-3 / 147.0, u * 1e-3 / 147.0, "m^2*K/W"),
        "heat_flow": (147.0, 0.4, "W"),
        "pressure": (pressure, 1e3, "Pa"),
        "coolant_temperature": (298.15, 0.05, "K"),
        "gap": (50e-6, 0.4e-6, "m"),
        "apparent_conductivity": (50e-6 * 147.0 / (rise * 1e-3), 0.05, "W/(m*K)"),
    } | {key: (value, abs(value) / 100, "") for key, value in more.items()}
    return {key: {"value": v, "u": s, "dof": 50.0, "unit": unit} for key, (v, s, unit) in values.items()}


def finish(run: Run, *, figures: dict[str, Any], flags: list[dict[str, Any]] | None = None, shared: Any = None) -> Run:
    """Finish a run's waiting reduction as the worker does, with these figures."""
    claim = claim_reduction(run.reductions.get(state="queued").pk)
    snapshot = bridge.snapshot(run, at=run.uploaded_at)
    inputs = Inputs(snapshot, Zeros(None, None), {"run": run.file.sha256}, None, 100, 99.0)
    outcome = bridge.Outcome("steady", "1", figures, flags or [], shared or {}, {}, "test")
    finish_reduction(actor=None, claim=claim, inputs=inputs, outcome=outcome)
    run.refresh_from_db()
    return run


def measure(application: Application, rise: float, **more: Any) -> Run:
    """One more run of an application."""
    content = f"time [s],hot [degC]\n0,{next(COUNTER)}\n".encode()
    run = upload_run(
        actor=somebody(Role.OPERATOR), application=application, content=io.BytesIO(content), name="run.csv"
    )
    flags, shared = more.pop("flags", None), more.pop("shared", None)
    return finish(run, figures=figures_of(rise, **more), flags=flags, shared=shared)


def put_on(
    rises: list[float], *, name: str, version: MethodVersion, rig: Rig, sample: Sample | None = None, **more: Any
) -> Sample:
    """A sample with one application and one run for each rise."""
    sample = sample or make_sample(name=name)
    for rise in rises:
        measure(make_application(sample=sample, rig=rig, version=version), rise, **more)
    return sample
