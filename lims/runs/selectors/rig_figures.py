"""Read figures of rigs, and the runs they could be found in."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.errors import NotFound
from lims.core.finding import by_code
from lims.rigs.models import Rig
from lims.runs import bridge
from lims.runs.models import RigFigure, Run
from lims.runs.selectors.runs import runs_for
from lims.runs.states import ReductionState, RunState

KINDS = RigFigure.Kind.choices
OFFERED = 60
SPENT = (RunState.REFUSED, RunState.INVALIDATED, RunState.ABORTED)


def rig_figures() -> QuerySet[RigFigure]:
    """Every figure of every rig, newest first."""
    rows = RigFigure.objects.select_related("rig", "proposed_by", "decided_by", "configuration")
    return rows.defer("result").order_by("-id")


def figures_of_rig(rig: Rig) -> QuerySet[RigFigure]:
    """The figures of one rig, newest first."""
    return rig_figures().filter(rig=rig)


def get_rig_figure_for(user: User, code: str) -> RigFigure:
    """One figure of a rig, with its result."""
    require(user, "laboratory.read")
    return by_code(rig_figures().defer(None), code, "rig figure")


def figures_to_accept() -> QuerySet[RigFigure]:
    """Proposed figures that nobody has decided, oldest first."""
    return rig_figures().filter(state=RigFigure.State.PROPOSED).order_by("id")


def runs_for_figures(user: User, rig: Rig) -> QuerySet[Run]:
    """Runs of a rig that a figure can be found in: runs for the rig itself, and of reference samples."""
    rows = runs_for(user).filter(rig=rig, kind__in=(Run.Kind.RIG, Run.Kind.REFERENCE))
    rows = rows.filter(current__state=ReductionState.REDUCED).exclude(state__in=SPENT)
    return rows.select_related("application__sample").order_by("-id")[:OFFERED]


def get_runs_for_figures(user: User, codes: list[str]) -> list[Run]:
    """Runs by their codes, in the order given."""
    found = {run.code: run for run in runs_for(user).defer(None).filter(code__in=codes).select_related("current")}
    if lost := [code for code in codes if code not in found]:
        raise NotFound(f"There is no run {', '.join(lost)}.")
    return [found[code] for code in codes]


def drawing_of_figure(figure: RigFigure) -> dict[str, Any] | None:
    """The plot of what a figure was found from; None where it holds nothing to draw."""
    return bridge.study_drawing(figure.result)


def made_under(figure: RigFigure) -> int:
    """How many reductions of layers stand under an older configuration though their runs are of the figure's time."""
    if figure.configuration is None or figure.valid_from is None:
        return 0
    rows = Run.objects.filter(rig=figure.rig, started_at__gte=figure.valid_from, current__isnull=False)
    return rows.exclude(kind__in=(Run.Kind.ZERO, Run.Kind.RIG)).exclude(configuration=figure.configuration).count()
