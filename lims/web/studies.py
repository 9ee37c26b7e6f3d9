"""Studies: what the methods beside a reduction find in one run or in several; a new method has its page by itself."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_GET

from lims.runs.selectors import studies as studies_
from lims.runs.selectors.reductions import figure_rows_of
from lims.runs.selectors.runs import get_run_for
from lims.web.doors import page, person
from lims.web.forms.studies import StudyFilter
from lims.web.study_parts import sections_of

READ = "laboratory.read"
LEAST = 3  # results that a study of several is offered for


@require_GET
@page(READ)
def run_study(request: HttpRequest, code: str, method: str) -> HttpResponse:
    """What one method finds in one run; the result object itself with `?json=1`."""
    run = get_run_for(person(request), code)
    study = studies_.study_run_for(person(request), code, method)
    return _shown(request, study, f"{code}-{method}", run=run)


@require_GET
@page(READ)
def study(request: HttpRequest, method: str) -> HttpResponse:
    """What one method finds in the results of several runs; without runs in the address, choose them."""
    codes = list(dict.fromkeys(request.GET.getlist("run")))
    if len(codes) < LEAST:
        return _choose(request, method, codes)
    return _shown(request, studies_.study_runs_for(person(request), codes, method), method, codes=codes)


def _shown(request: HttpRequest, found: studies_.Study, name: str, **more: Any) -> HttpResponse:
    if request.GET.get("json"):
        answer = JsonResponse(found.result, json_dumps_params={"indent": 2, "ensure_ascii": False})
        answer["Content-Disposition"] = f'attachment; filename="{name}.json"'
        return answer
    if figure := request.GET.get("working"):
        return _worked(request, found, figure, **more)
    address = request.GET.copy()
    address["json"] = "1"
    runs = request.GET.copy()
    context = {
        "study": found,
        "workings": studies_.workings_of(found),
        "working_query": f"{runs.urlencode()}&" if runs else "",
        "rows": figure_rows_of(found.result),
        "sections": sections_of(found.result),
        "json_url": f"{request.path}?{address.urlencode()}",
    }
    return render(request, "studies/study.html", context | more)


def _worked(request: HttpRequest, found: studies_.Study, figure: str, **more: Any) -> HttpResponse:
    """How one figure of a study was worked out."""
    back = request.GET.copy()
    back.pop("working")
    context = {
        "study": found,
        "working": studies_.working_of_study(found, figure),
        "study_url": f"{request.path}?{back.urlencode()}",
    }
    return render(request, "studies/working.html", context | more)


def _choose(request: HttpRequest, method: str, codes: list[str]) -> HttpResponse:
    user, kind = person(request), studies_.kind_of(method, of_runs=True)
    form = StudyFilter(request.GET or None, user=user)
    context = {
        "kind": kind,
        "filter_form": form,
        "headings": studies_.labels_of(kind),
        "rows": [
            (run, [getattr(run, f"shown_{key}") for key in kind.needs])
            for run in studies_.runs_to_study(user, kind, form.wanted)
        ],
        "chosen": codes,
        "least": LEAST,
        "most": studies_.MOST_OFFERED,
    }
    return render(request, "studies/choose.html", context, status=422 if codes else 200)


urlpatterns = [
    path("runs/<str:code>/studies/<str:method>/", run_study, name="run-study"),
    *(
        path(f"studies/{kind.key}/", study, {"method": kind.key}, name=f"study-{kind.key}")
        for kind in studies_.studies_of_runs()
    ),
]
