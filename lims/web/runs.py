"""Runs and their reductions: drop files, watch them being reduced, read the figures, decide about flags."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any, cast

from django.contrib import messages
from django.db import models
from django.http import FileResponse, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_POST

from lims.accounts.acts import once
from lims.core.errors import Invalid, NotFound, Refusal, problem_content
from lims.files.selectors import open_file
from lims.runs.selectors import reductions as reductions_
from lims.runs.selectors import runs as runs_
from lims.runs.selectors.applications import get_application_for
from lims.runs.selectors.batches import case_behind
from lims.runs.selectors.traces import drawing_of, layer_of
from lims.runs.services import runs as services
from lims.runs.services.invalidating import invalidate_run
from lims.runs.services.second_files import add_second_file
from lims.web.doors import key_of, page, paged, person, put_refusal, status_of, submitted
from lims.web.forms.fields import ReasonForm, SignForm
from lims.web.forms.quality import InvalidateForm
from lims.web.forms.runs import AbortForm, AboutForm, OverrideForm, RunFilter, SecondFileForm, WindowForm, ZerosForm

READ = "laboratory.read"
BYTES = "application/octet-stream"


# Lists and uploads ----------------------------------------------------------------------------------------------------


@page(READ)
def runs(request: HttpRequest) -> HttpResponse:
    """The runs, newest first; the filter stands in the address."""
    user = person(request)
    form = RunFilter(request.GET or None, user=user)
    context = {
        "filter_form": form,
        "page": paged(request, runs_.narrowed(runs_.runs_for(user), form.wanted)),
        "stuck": reductions_.stuck_for(user)[:20],
        "may_upload": user.may("run.upload"),
        "may_abort": user.may("run.abort"),
    }
    return render(request, "runs/runs.html", context)


@page("run.upload")
def upload(request: HttpRequest) -> HttpResponse:
    """Take run files in, one or many; each is read, checked and reduced while one watches."""
    form = AboutForm(request.POST or None, user=person(request), initial=request.GET.dict())
    if request.method != "POST":
        return render(request, "runs/upload.html", {"form": form})
    as_json = "application/json" in request.headers.get("Accept", "")
    try:
        taken = [_take(request, form, file) for file in request.FILES.getlist("files")]
        if not taken:
            raise Invalid("No file came.", code="file-missing", fields={"files": ["Choose a file."]})
    except Refusal as refusal:
        return _refused(request, form, refusal, as_json=as_json)
    if as_json:
        return JsonResponse(_received(taken[0]), status=201)
    messages.success(request, f"{len(taken)} received: {', '.join(run.code for run in taken)}.")
    return redirect("run", taken[0].code) if len(taken) == 1 else redirect("runs")


def _take(request: HttpRequest, form: AboutForm, file: Any) -> Any:
    if not form.is_valid():
        raise Invalid(
            "What is said about the files is not right.",
            fields={name: [str(e) for e in found] for name, found in form.errors.items()},
        )
    about = {name: value for name, value in form.cleaned_data.items() if value}
    several = len(request.FILES.getlist("files")) > 1
    key = key_of(request)
    return services.upload_run(
        actor=person(request),
        content=file,
        name=file.name,
        key=f"{key}:{file.name}"[:120] if key and several else key,
        **about,
    )


def _received(run: Any) -> dict[str, str]:
    return {
        "code": run.code,
        "url": reverse("run", args=[run.code]),
        "message": "received",
        "follow": reverse("run-row", args=[run.code]),
    }


def _refused(request: HttpRequest, form: AboutForm, refusal: Refusal, *, as_json: bool) -> HttpResponse:
    if as_json:
        content = problem_content(refusal)
        if record := refusal.extra.get("record"):
            content["url"] = reverse("run", args=[record])
        return JsonResponse(content, status=refusal.status, content_type="application/problem+json")
    if form.is_valid():
        put_refusal(form, refusal)
    return render(request, "runs/upload.html", {"form": form, "refusal": refusal}, status=refusal.status)


@page("run.abort")
def run_abort(request: HttpRequest) -> HttpResponse:
    """Say that an attempt was broken off."""
    form = AbortForm(request.POST or None, request.FILES or None, initial=request.GET.dict())
    done = request.method == "POST" and submitted(request, form, lambda: _abort(request, form), to=_page_of)
    return done or render(request, "runs/abort.html", {"form": form}, status=status_of(form))


def _abort(request: HttpRequest, form: AbortForm) -> models.Model:
    content, user = form.cleaned_data, person(request)
    file = content["file"]
    return once(key_of(request), services.declare_aborted)(
        get_application_for(user, content["application"]),
        actor=user,
        reason=content["reason"],
        content=file,
        name=file.name if file else "run",
    )


def _page_of(run: Any) -> str:
    return reverse("run", args=[run.code])


# One run --------------------------------------------------------------------------------------------------------------


@page(READ)
def run(request: HttpRequest, code: str) -> HttpResponse:
    """One run: its curves, its figures with their budgets, its flags, what it was made with, what was decided."""
    return _show(request, code)


@page(READ)
def reduction(request: HttpRequest, code: str) -> HttpResponse:
    """One reduction, shown on its run's page whether it is the current one or not."""
    found = reductions_.get_reduction_for(person(request), code)
    return _show(request, found.run.code, chosen=found)


@page(READ)
def run_part(request: HttpRequest, code: str) -> HttpResponse:
    """The part of a run's page that follows its reduction; asked for again and again while one is at work."""
    context = _context(request, code)
    if not context["at_work"]:
        response = render(request, "runs/_run.html", {**context, "arrived": True})
        response["HX-Retarget"], response["HX-Reswap"] = "#run", "outerHTML"
        return response
    return render(request, "runs/_at_work.html", context)


@page(READ)
def run_row(request: HttpRequest, code: str) -> HttpResponse:
    """How a dropped file goes on, as one row beneath the drop zone."""
    found = runs_.get_run_for(person(request), code)
    work = runs_.reduction_at_work(found)
    current = reductions_.get_reduction_for(person(request), found.current.code) if found.current else None
    context = {"run": found, "at_work": work, "rows": reductions_.figure_rows(current)[:3] if current else []}
    return render(request, "runs/_row.html", context)


def _show(request: HttpRequest, code: str, *, chosen: Any = None, bound: tuple[str, Any] | None = None) -> HttpResponse:
    context = _context(request, code, chosen=chosen, bound=bound)
    return render(request, "runs/run.html", context, status=status_of(bound[1]) if bound else 200)


def _context(
    request: HttpRequest, code: str, *, chosen: Any = None, bound: tuple[str, Any] | None = None
) -> dict[str, Any]:
    user = person(request)
    found = runs_.get_run_for(user, code)
    listed = list(reductions_.reductions_of(found))
    shown = chosen or (reductions_.get_reduction_for(user, found.current.code) if found.current else None)
    work = next((r for r in listed if r.state in runs_.AT_WORK), None)
    return {
        "run": found,
        "shown": shown,
        "reductions": listed,
        "at_work": work,
        "rows": reductions_.figure_rows(shown) if shown else [],
        "joined": shown.result.get("notes", {}).get("joined with", "") if shown else "",
        "has_layer": bool(shown and {"gap", "hot_temperature", "cold_temperature"} <= set(shown.figures)),
        "flags": reductions_.flags_of(shown) if shown else [],
        "zero_hours": runs_.zero_hours(found),
        "setup_text": json.dumps(shown.setup, indent=1, ensure_ascii=False) if shown else "",
        "failed": next((r for r in listed[:1] if r.state == "failed"), None),
        "actions": _actions(user, found, shown, work, bound),
        "came_from": [x.code for x in (found.application, found.zero, found.zero_after) if x],
        "went_into": [x.code for x in runs_.zeroed_by(found)],
        "entries": runs_.history_for(found)[:50],
    }


def _actions(user: Any, run: Any, shown: Any, work: Any, bound: tuple[str, Any] | None) -> list[dict[str, Any]]:
    """What can be done with a run, each with its form, or with the reason why not."""
    closed = "" if run.state in runs_.REDUCIBLE else f"The run is {run.state}."
    busy = closed or ("It is being reduced; wait until that is done." if work else "")
    left = reductions_.blocking_flags(shown) if shown and shown.pk == run.current_id else []
    acts = [
        ("run-reduce", "reduction.request", "Reduce again", ReasonForm(), busy),
        ("run-window", "reduction.choose_window", "Choose the window", _window_form(shown), busy or _no_figures(run)),
        ("run-zeros", "run.choose_zeros", "Choose the zeros", ZerosForm(run=run), busy or _no_zeros(run)),
        ("run-second", "run.add_second", "Add a second file", SecondFileForm(), _no_second(run, work)),
        ("run-override", "run.override_flag", "Set a flag aside", OverrideForm(flags=left), "" if left else "none"),
        ("run-qualify", "run.qualify", "Qualify", SignForm(), "" if run.state == "unqualified" else "none"),
        ("run-invalidate", "run.invalidate", "Set the result aside", InvalidateForm(), _no_cause(run)),
    ]
    return [
        _action(name, label, form, why, run, bound)
        for name, right, label, form, why in acts
        if user.may(right) and why != "none"
    ]


def _no_cause(run: Any) -> str:
    if run.state not in ("accepted", "locked") or not run.of_a_layer:
        return "none"
    return "" if case_behind(run) else "No nonconformance names an assignable cause with evidence for it."


def _action(name: str, label: str, form: Any, why_not: str, run: Any, bound: tuple[str, Any] | None) -> dict[str, Any]:
    if bound and bound[0] == name:
        form, why_not = bound[1], ""
    return {"label": label, "url": reverse(name, args=[run.code]), "form": form, "why_not": why_not}


def _window_form(shown: Any) -> WindowForm:
    steady = shown.result.get("steady", {}) if shown else {}
    found = {"start": steady.get("start_s"), "end": steady.get("end_s")}
    return WindowForm(initial=found if steady.get("found") else {})


def _no_second(run: Any, work: Any) -> str:
    if work:
        return "It is being reduced; wait until that is done."
    open_to = run.file and run.state in (*runs_.REDUCIBLE, "refused")
    return "" if open_to else f"The run is {run.state}."


def _no_figures(run: Any) -> str:
    return "" if run.of_a_layer else "Without a layer there is no settled window."


def _no_zeros(run: Any) -> str:
    return "" if run.of_a_layer else "Without a layer no zero is needed."


# Acts -----------------------------------------------------------------------------------------------------------------


Act = Callable[[Any, dict[str, Any]], Any]


def _act(request: HttpRequest, code: str, *, name: str, form: Any, act: Act) -> HttpResponse:
    """Do one act of a run's page; where it is refused show the page again with the form filled and open."""
    found = runs_.get_run_for(person(request), code)
    done = submitted(request, form, lambda: act(found, form.cleaned_data), to=lambda _: _page_of(found))
    return done or _show(request, code, bound=(name, form))


@require_POST
@page("reduction.request")
def run_reduce(request: HttpRequest, code: str) -> HttpResponse:
    """Compute the figures again."""
    return _act(
        request,
        code,
        name="run-reduce",
        form=ReasonForm(request.POST),
        act=lambda found, c: once(key_of(request), services.request_reduction)(found, actor=person(request), **c),
    )


@require_POST
@page("reduction.choose_window")
def run_window(request: HttpRequest, code: str) -> HttpResponse:
    """Compute the figures over a window chosen by hand."""

    def act(found: Any, c: dict[str, Any]) -> Any:
        start, end = float(c["start"]), float(c["end"])
        service = once(key_of(request), services.choose_window)
        return service(found, actor=person(request), start=start, end=end, reason=c["reason"])

    return _act(request, code, name="run-window", form=WindowForm(request.POST), act=act)


@require_POST
@page("run.choose_zeros")
def run_zeros(request: HttpRequest, code: str) -> HttpResponse:
    """Reduce with zeros chosen by hand."""
    found = runs_.get_run_for(person(request), code)
    return _act(
        request,
        code,
        name="run-zeros",
        form=ZerosForm(request.POST, run=found),
        act=lambda run, c: once(key_of(request), services.choose_zeros)(run, actor=person(request), **c),
    )


@require_POST
@page("run.add_second")
def run_second(request: HttpRequest, code: str) -> HttpResponse:
    """Add what a second logger recorded, and reduce with both."""

    def act(found: Any, c: dict[str, Any]) -> Any:
        offset = float(c["offset"]) if c["offset"] is not None else None
        add = once(key_of(request), add_second_file)
        file = c["file"]
        return add(found, actor=person(request), content=file, name=file.name, offset=offset, reason=c["reason"])

    return _act(request, code, name="run-second", form=SecondFileForm(request.POST, request.FILES), act=act)


@require_POST
@page("run.override_flag")
def run_override(request: HttpRequest, code: str) -> HttpResponse:
    """Set a blocking flag of the current reduction aside."""
    found = runs_.get_run_for(person(request), code)
    if found.current is None:
        raise NotFound(f"{code} has no reduction yet.")
    current = reductions_.get_reduction_for(person(request), found.current.code)
    return _act(
        request,
        code,
        name="run-override",
        form=OverrideForm(request.POST, flags=reductions_.blocking_flags(current)),
        act=lambda _, c: once(key_of(request), services.override_flag)(current, actor=person(request), **c),
    )


@require_POST
@page("run.qualify")
def run_qualify(request: HttpRequest, code: str) -> HttpResponse:
    """Accept an unqualified run, signed."""
    return _act(
        request,
        code,
        name="run-qualify",
        form=SignForm(request.POST),
        act=lambda found, c: services.qualify_run(found, actor=person(request), **c),
    )


@require_POST
@page("run.invalidate")
def run_invalidate(request: HttpRequest, code: str) -> HttpResponse:
    """Set a result aside, by two persons."""
    form = InvalidateForm(request.POST)
    return _act(
        request,
        code,
        name="run-invalidate",
        form=form,
        act=lambda found, _: invalidate_run(found, actor=person(request), **InvalidateForm.values(form)),
    )


# Data -----------------------------------------------------------------------------------------------------------------


@require_GET
@page(READ)
def run_traces(request: HttpRequest, code: str) -> HttpResponse:
    """The curves of a reduction as a plotly figure: `from` and `to` in s, `px` the width in pixels."""
    found = reductions_.get_reduction_for(person(request), code)
    start, end = _seconds(request, "from"), _seconds(request, "to")
    pixels = int(_seconds(request, "px") or 1000)
    response = JsonResponse(drawing_of(found, start=start, end=end, pixels=pixels))
    response["Cache-Control"] = "private, max-age=3600"
    return response


@require_GET
@page(READ)
def run_layer(request: HttpRequest, code: str) -> HttpResponse:
    """The layer of a reduction, drawn to scale."""
    return JsonResponse(layer_of(reductions_.get_reduction_for(person(request), code)))


def _seconds(request: HttpRequest, name: str) -> float | None:
    text = request.GET.get(name, "")
    try:
        value = float(text) if text else None
    except ValueError:
        value = math.nan
    if value is not None and not math.isfinite(value):
        raise Invalid(f"'{text}' is not a number of seconds.", code="not-a-number", fields={name: ["Write a number."]})
    return value


@require_GET
@page(READ)
def run_file(request: HttpRequest, code: str) -> HttpResponse:
    """The file of a run, byte for byte as it came."""
    found = runs_.get_run_for(person(request), code)
    if found.file is None:
        raise NotFound(f"{code} has no file.")
    return as_download(found.file)


def as_download(row: Any) -> HttpResponse:
    """A stored file as a download: never shown by the browser, never run, under a harmless name."""
    response = FileResponse(open_file(row), as_attachment=True, filename=row.name, content_type=BYTES)
    response["Content-Length"] = str(row.size)
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    response["X-Content-Type-Options"] = "nosniff"
    return cast(HttpResponse, response)


@require_GET
@page(READ)
def reduction_result(request: HttpRequest, code: str) -> HttpResponse:
    """The result of a reduction as JSON, exactly as it is stored."""
    found = reductions_.get_reduction_for(person(request), code)
    response = JsonResponse(found.result, json_dumps_params={"indent": 1, "ensure_ascii": False})
    response["Content-Disposition"] = f'attachment; filename="{found.code}.json"'
    return response


urlpatterns = [
    path("runs/", runs, name="runs"),
    path("runs/upload/", upload, name="run-upload"),
    path("runs/aborted/", run_abort, name="run-abort"),
    path("runs/<str:code>/", run, name="run"),
    path("runs/<str:code>/_part/", run_part, name="run-part"),
    path("runs/<str:code>/_row/", run_row, name="run-row"),
    path("runs/<str:code>/file/", run_file, name="run-file"),
    path("runs/<str:code>/reduce/", run_reduce, name="run-reduce"),
    path("runs/<str:code>/window/", run_window, name="run-window"),
    path("runs/<str:code>/zeros/", run_zeros, name="run-zeros"),
    path("runs/<str:code>/second-file/", run_second, name="run-second"),
    path("runs/<str:code>/qualify/", run_qualify, name="run-qualify"),
    path("runs/<str:code>/invalidate/", run_invalidate, name="run-invalidate"),
    path("runs/<str:code>/override/", run_override, name="run-override"),
    path("reductions/<str:code>/", reduction, name="reduction"),
    path("reductions/<str:code>/traces.json", run_traces, name="reduction-traces"),
    path("reductions/<str:code>/layer.json", run_layer, name="reduction-layer"),
    path("reductions/<str:code>/result.json", reduction_result, name="reduction-result"),
]
