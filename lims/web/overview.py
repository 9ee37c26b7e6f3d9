"""Overview: the laboratory in one screen that prints, for those who decide."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_GET

from lims.comparisons.overview import DAYS, MOST_RUNS, Overview, overview_for
from lims.web.doors import page, person
from lims.web.navigation import address


@require_GET
@page("laboratory.read")
def overview(request: HttpRequest) -> HttpResponse:
    """Best rises over the months, the pipeline, lots that wait, how the rigs are used, cost against rise."""
    found = overview_for(person(request))
    context = {
        "found": found,
        "months": _months(found),
        "stages": [_linked(stage) for stage in found.pipeline],
        "waiting": [_linked(stage) for stage in found.lots],
        "days": DAYS,
        "most_runs": MOST_RUNS,
    }
    return render(request, "overview/overview.html", context)


def _months(found: Overview) -> list[dict[str, Any]]:
    """A row for each month in which something was measured: the best under each method, or None."""
    months = sorted({one.month for method in found.methods for one in method.best}, reverse=True)
    by_method = [{one.month: one for one in method.best} for method in found.methods]
    return [{"month": month, "best": [best.get(month) for best in by_method]} for month in months]


def _linked(stage: Any) -> dict[str, Any]:
    url = address(stage.page)
    return {"label": stage.label, "count": stage.count, "url": f"{url}?{stage.query}" if url and stage.query else url}


urlpatterns = [path("overview/", overview, name="overview")]
