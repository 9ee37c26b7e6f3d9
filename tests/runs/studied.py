"""Runs to study: presses that thin under power, and applications of one paste at several gaps."""

from __future__ import annotations

from datetime import timedelta

from django.utils import timezone

from lims.demo.simulator import Layer
from lims.runs.models import Run
from tests.factories import make_application, make_sample
from tests.runs.recordings import make_files
from tests.runs.test_perform_reduction import reduce_all, send

# what the simulator's layers are made of: figures below are held against it
CONDUCTIVITY, CONTACT = 2.5, 4.0e-6


def a_series(*gaps: float) -> list[Run]:
    """One reduced run of one sample for each gap [um], each with its own zero."""
    sample, runs = make_sample(), []
    for number, gap in enumerate(gaps):
        begin = (timezone.now() - timedelta(hours=2 + 2 * (len(gaps) - number))).replace(microsecond=0)
        layer = Layer(CONDUCTIVITY, CONTACT, gap_open=8e-6 * gap, gap_end=1e-6 * gap, pressing_time=10.0)
        files = make_files(seed=number + 1, begin=begin, layer=layer)
        application = make_application(sample=sample)
        send(files.zero, "zero.csv", kind="zero", rig=application.rig)
        runs.append(send(files.run, f"gap-{gap:g}.csv", application=application))
    reduce_all()
    for run in runs:
        run.refresh_from_db()
    return runs
