"""Studies: what the methods beside a reduction find in one run or in several; a new method has its page by itself."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_POST

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.core.errors import Invalid
from lims.runs.selectors import studies as studies_
from lims.runs.selectors.reductions import figure_rows_of
from lims.runs.selectors.runs import get_run_for
from lims.runs.services import studies as services
from lims.web.doors import key_of, page, paged, person
from lims.web.forms.studies import KeepForm, OptionsForm, StudyFilter
from lims.web.study_parts import sections_of

READ = "laboratory.read"
LEAST = 3  # results that a study of several is offered for


@require_GET
@page(READ)
def run_study(request: HttpRequest, code: str, method: str) -> HttpResponse:
    """What one method finds in one run; the result object itself with `?json=1`."""
    run = get_run_for(person(request), code)
    kind = studies_.kind_of(method, of_runs=False)
    form = _options_form(request, kind)
    try:
        found = studies_.study_run_for(person(request), code, method, form.texts)
    except Invalid as refusal:
        return _asked_wrongly(request, form, kind, refusal, run=run)
    return _shown(request, found, f"{code}-{method}", run=run, options=form)


def _options_form(request: HttpRequest, kind: Any) -> OptionsForm:
    """The method's options, filled from the address."""

    def kept(method: str) -> list[tuple[str, str]]:
        return [
            (one.code, f"{one.code} {one.title}") for one in studies_.kept_studies_for(person(request), method=method)
        ]

    return OptionsForm(request.GET or None, kind=kind, kept=kept)


def _asked_wrongly(request: HttpRequest, form: OptionsForm, kind: Any, refusal: Invalid, **more: Any) -> HttpResponse:
    """The options again, filled, with what is wrong beside them; runs that are not right are told as before."""
    wrong = {key: words for key, words in refusal.fields.items() if key in form.fields}
    if not wrong:
        raise refusal
    for key, words in wrong.items():
        form.add_error(key, words)
    return render(request, "studies/options.html", {"kind": kind, "options": form, **more}, status=422)


@require_GET
@page(READ)
def study(request: HttpRequest, method: str) -> HttpResponse:
    """What one method finds in the results of several runs; without runs in the address, choose them."""
    codes = list(dict.fromkeys(request.GET.getlist("run")))
    if len(codes) < LEAST:
        return _choose(request, method, codes)
    kind = studies_.kind_of(method, of_runs=True)
    form = _options_form(request, kind)
    try:
        found = studies_.study_runs_for(person(request), codes, method, form.texts)
    except Invalid as refusal:
        return _asked_wrongly(request, form, kind, refusal, codes=codes)
    return _shown(request, found, method, codes=codes, options=form)


@require_POST
@page("study.keep")
def run_study_keep(request: HttpRequest, code: str, method: str) -> HttpResponse:
    """Keep what a method finds in one run with the options in the address."""
    user, form = person(request), _options_form(request, studies_.kind_of(method, of_runs=False))
    return _keep(request, studies_.study_run_for(user, code, method, form.texts))


@require_POST
@page("study.keep")
def study_keep(request: HttpRequest, method: str) -> HttpResponse:
    """Keep what a method finds in the runs and with the options in the address."""
    user, form = person(request), _options_form(request, studies_.kind_of(method, of_runs=True))
    return _keep(request, studies_.study_runs_for(user, request.GET.getlist("run"), method, form.texts))


def _keep(request: HttpRequest, found: studies_.Study) -> HttpResponse:
    title = request.POST.get("title", "")
    kept = once(key_of(request), services.keep_study)(found, actor=person(request), title=title)
    return redirect("study", kept.code)


@require_GET
@page(READ)
def studies(request: HttpRequest) -> HttpResponse:
    """The studies that were kept, and the methods that make new ones."""
    kinds = [(kind, reverse(f"study-{kind.key}")) for kind in studies_.studies_of_runs()]
    listed = paged(request, studies_.kept_studies_for(person(request)))
    return render(request, "studies/studies.html", {"page": listed, "links": kinds})


@require_GET
@page(READ)
def kept_study(request: HttpRequest, code: str) -> HttpResponse:
    """A kept study as it was found then."""
    user = person(request)
    kept = studies_.get_kept_study_for(user, code)
    entries = readable(history_of("study", kept.code)[:50], user)
    return _shown(request, studies_.study_of(kept), kept.code, kept=kept, entries=entries)


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
        "query": runs.urlencode(),
        "may_keep": person(request).may("study.keep"),
        "keep_form": KeepForm(),
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
        "options": _options_form(request, kind),
        "least": LEAST,
        "most": studies_.MOST_OFFERED,
    }
    return render(request, "studies/choose.html", context, status=422 if codes else 200)


urlpatterns = [
    path("studies/", studies, name="studies"),
    path("runs/<str:code>/studies/<str:method>/keep/", run_study_keep, name="run-study-keep"),
    *(
        path(f"studies/{kind.key}/keep/", study_keep, {"method": kind.key}, name=f"study-{kind.key}-keep")
        for kind in studies_.studies_of_runs()
    ),
    path("runs/<str:code>/studies/<str:method>/", run_study, name="run-study"),
    *(
        path(f"studies/{kind.key}/", study, {"method": kind.key}, name=f"study-{kind.key}")
        for kind in studies_.studies_of_runs()
    ),
    path("studies/<str:code>/", kept_study, name="study"),
]
