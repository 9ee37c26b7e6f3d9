"""The working of one figure: formulas, inputs and intermediate values that can be checked by hand."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_GET

from lims.core.errors import NotFound
from lims.runs.selectors.reductions import get_reduction_for
from lims.runs.selectors.runs import get_run_for
from lims.runs.selectors.working import working_for
from lims.web.doors import page, person


@require_GET
@page("laboratory.read")
def run_working(request: HttpRequest, code: str, figure: str) -> HttpResponse:
    """How a figure of a run was worked out: of its current reduction, or of the one named as `of`."""
    user = person(request)
    run = get_run_for(user, code)
    wanted = request.GET.get("of") or (run.current.code if run.current else "")
    if not wanted:
        raise NotFound(f"{run.code} has no reduction yet.")
    reduction = get_reduction_for(user, wanted)
    if reduction.run_id != run.pk:
        raise NotFound(f"{wanted} is not a reduction of {run.code}.")
    context = {"run": run, "reduction": reduction, "working": working_for(reduction, figure)}
    return render(request, "runs/working.html", context)


urlpatterns = [path("runs/<str:code>/working/<slug:figure>/", run_working, name="run-working")]
