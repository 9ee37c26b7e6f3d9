"""Reducing a run: from a stored file to figures, flags and the run's worth."""

from __future__ import annotations

import io

import pytest

from lims.accounts.roles import Role
from lims.runs.models import Reduction, Run
from lims.runs.reducing import perform_reduction
from lims.runs.services.runs import upload_run
from tests.factories import make_application, somebody
from tests.runs.recordings import make_files

pytestmark = pytest.mark.django_db


def send(content: bytes, name: str = "run.csv", **about) -> Run:
    return upload_run(actor=somebody(Role.OPERATOR), content=io.BytesIO(content), name=name, **about)


def reduce_all() -> None:
    """What the worker does with everything that waits."""
    while waiting := list(Reduction.objects.filter(state="queued").order_by("id").values_list("pk", flat=True)):
        for pk in waiting:
            perform_reduction(pk)


def sent_with_zero(**plan) -> tuple[Run, Run]:
    application, files = make_application(), make_files(**plan)
    zero = send(files.zero, "zero.csv", kind="zero", rig=application.rig)
    run = send(files.run, application=application)
    reduce_all()
    run.refresh_from_db()
    zero.refresh_from_db()
    return run, zero


def test_a_good_run_gets_its_figures_and_is_accepted(file_store) -> None:
    run, zero = sent_with_zero()
    reduction = run.current
    assert reduction.state == "reduced", reduction.error
    assert run.state == "accepted", run.problems
    assert run.zero == zero
    figures = reduction.figures
    assert {"temperature_rise", "thermal_impedance", "gap", "apparent_conductivity"} <= set(figures)
    assert figures["temperature_rise"]["u"] > 0
    assert not [flag for flag in reduction.flags if flag["severity"] == "blocks"]
