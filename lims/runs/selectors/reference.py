"""What a reference sample showed on a rig by a method: the anchor of the rig's control chart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lims.runs.models import Run
from lims.runs.states import ReductionState, RunState


@dataclass(frozen=True, slots=True)
class ReferenceRow:
    """The figures of one accepted run of a reference sample."""

    run: str
    at: datetime
    figures: dict[str, Any]


def figures_of_reference(sample: str, *, rig: str, method: str) -> list[ReferenceRow]:
    """The figures of every accepted run of a sample on a rig by a method, oldest first."""
    rows = Run.objects.filter(
        state=RunState.ACCEPTED,
        rig__code=rig,
        application__sample__code=sample,
        application__method_version__method__code=method,
        current__state=ReductionState.REDUCED,
    )
    rows = rows.select_related("current").order_by("started_at", "id")
    return [
        ReferenceRow(run.code, run.started_at or run.uploaded_at, run.current.figures) for run in rows if run.current
    ]


def charted_by(reduction: int) -> tuple[str, str, str] | None:
    """Sample, rig and method of the run a reduction belongs to, where its sample is a reference."""
    run = Run.objects.filter(reductions=reduction, application__sample__reference=True).first()
    if run is None or run.application is None:
        return None
    return run.application.sample.code, run.rig.code, run.application.method_version.method.code
