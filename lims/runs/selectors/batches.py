"""What was measured of a batch: one figure set an application, from the run that stands for it."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Q

from lims.cases.models import Nonconformance
from lims.formulations.models import Batch
from lims.runs.models import Run
from lims.runs.selectors.reductions import blocking_flags
from lims.runs.states import ReductionState, RunState


@dataclass(frozen=True, slots=True)
class BatchFigure:
    """One figure of one application of a batch's sample, SI; `dof` None for infinite."""

    quantity: str
    value: float
    u: float | None
    dof: float | None
    reduction: str
    application: str
    method_id: int | None


def figures_of_batch(batch: Batch) -> list[BatchFigure]:
    """The figures of every application of the batch's samples. A later run of an application stands for it.

    Left out: runs that were not accepted, reductions with a blocking flag that nobody set aside.
    """
    rows = Run.objects.filter(
        kind=Run.Kind.SAMPLE,
        state=RunState.ACCEPTED,
        application__sample__batch=batch,
        current__state=ReductionState.REDUCED,
    )
    rows = rows.select_related("current", "application__method_version").prefetch_related("current__overrides")
    standing = {run.application_id: run for run in rows.order_by("id")}
    return [figure for run in standing.values() if not _blocked(run) for figure in _figures(run)]


def batch_of_reduction(reduction: int) -> Batch | None:
    """The batch whose sample the run of a reduction measured; None for outside samples, zeros and rig runs."""
    return Batch.objects.filter(samples__applications__runs__reductions=reduction).distinct().first()


def people_behind_batch(batch: Batch) -> set[int | None]:
    """Who applied samples of the batch and who sent their runs."""
    runs = Run.objects.filter(application__sample__batch=batch)
    rows = runs.values_list("uploaded_by_id", "application__applied_by_id", "application__sample__taken_by_id")
    return {person for row in rows for person in row if person is not None}


def _blocked(run: Run) -> bool:
    return run.current is None or bool(blocking_flags(run.current))


def _figures(run: Run) -> list[BatchFigure]:
    current, application = run.current, run.application
    if current is None or application is None:
        return []
    return [
        BatchFigure(
            key,
            float(figure["value"]),
            figure.get("u"),
            figure.get("dof"),
            current.code,
            application.code,
            application.method_version.method_id,
        )
        for key, figure in current.figures.items()
        if figure.get("value") is not None
    ]


def case_behind(run: Run) -> Nonconformance | None:
    """The newest nonconformance about a run, its sample or its batch that names a cause with evidence."""
    subjects = [("run", run.code)]
    if run.application is not None:
        sample = run.application.sample
        subjects += [("sample", sample.code)] + ([("batch", sample.batch.code)] if sample.batch else [])
    about = Q()
    for kind, code in subjects:
        about |= Q(subject_kind=kind, subject_code=code)
    return Nonconformance.objects.filter(about, evidence__isnull=False).order_by("-id").first()
