"""Comparisons: ask how samples rank under one method, see what was left out; the map of gap and conductivity."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_POST

from lims.accounts.acts import once
from lims.audit.selectors import history_of
from lims.comparisons import selectors, services
from lims.comparisons.reports import DRAFT, draft_of, notice_of, reports_of
from lims.core.display import pretty_unit
from lims.core.errors import Refusal
from lims.core.papers import check_address
from lims.rigs.selectors import get_method_version_for
from lims.signatures.freezing import listed
from lims.web.doors import key_of, page, paged, person, put_refusal, status_of, submitted
from lims.web.forms.comparisons import InclusionForm, MapForm, MethodForm, QuestionForm, StatisticsForm, TakesForm
from lims.web.forms.papers import IssueForm
from lims.web.reports import exporter_of, files_of, root_of, sent

READ = "laboratory.read"


@page(READ)
def comparisons(request: HttpRequest) -> HttpResponse:
    """The comparisons, newest first."""
    user = person(request)
    context = {"page": paged(request, selectors.comparisons_for(user)), "may_pose": user.may("comparison.pose")}
    return render(request, "comparisons/comparisons.html", context)


@page("comparison.pose")
def comparison_new(request: HttpRequest) -> HttpResponse:
    """Choose the method first, then the samples measured under it."""
    user = person(request)
    if "method" not in request.GET:
        return render(request, "comparisons/new_method.html", {"form": MethodForm(user=user)})
    version = get_method_version_for(user, request.GET["method"])
    form = QuestionForm(request.POST or None, version=version)
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: once(key_of(request), services.pose_comparison)(
            actor=user, method_version=version, **_asked(form.cleaned_data)
        ),
        to=_page_of,
    )
    context = {"form": form, "method": version}
    return done or render(request, "comparisons/new.html", context, status=status_of(form))


def _asked(content: dict[str, Any]) -> Any:
    return {**content, "samples": list(content["samples"]), "confidence": float(content["confidence"]) / 100}


def _page_of(subject: Any) -> str:
    return reverse("comparison", args=[subject.record_code])


@page(READ)
def comparison(request: HttpRequest, code: str) -> HttpResponse:
    """One comparison: the ranking with intervals and letters, what was left out, what could not be told apart."""
    return show_comparison(request, code)


def show_comparison(
    request: HttpRequest,
    code: str,
    bound: InclusionForm | None = None,
    *,
    issuing: IssueForm | None = None,
    status: int = 200,
) -> HttpResponse:
    """The page of a comparison, with a form that was refused standing open."""
    user = person(request)
    found = selectors.get_comparison_for(user, code)
    answer, issued = selectors.answer_of(found), reports_of(found)
    ranking = answer.ranking
    context = {
        "comparison": found,
        "answer": answer,
        "ranking": ranking,
        "unit": pretty_unit(ranking["unit"]),
        "rows": _rows(ranking["ranking"], answer),
        "provisional": _rows(ranking["provisional"], answer),
        "left_out": ranking["left_out"],
        "against_reference": [_difference(pair, ranking["unit"]) for pair in ranking["against_reference"]],
        "conditions": [{**key, "tolerance_unit": _of_difference(key.get("unit", ""))} for key in ranking["conditions"]],
        "actions": [*_actions(user, found, bound), *_issue(user, found, issuing)],
        "summary": answer.summary,
        "reports": [
            {**one, "notice": notice_of(one["paper"]) if one["state"] == "issued" else []} for one in listed(issued)
        ],
        "drafts": files_of("comparison-draft", found.code),
        "inclusions": found.inclusions.select_related("sample", "by"),
        "came_from": [found.method_version.code, *sorted(answer.names)],
        "went_into": [one.code for one in issued],
        "entries": history_of("comparison", code)[:50],
    }
    shown = status_of(bound) if bound else status
    return render(request, "comparisons/comparison.html", context, status=shown)


def _issue(user: Any, found: Any, issuing: IssueForm | None) -> list[dict[str, Any]]:
    if not user.may("comparison.issue"):
        return []
    act = {"label": "Issue a report", "url": reverse("comparison-issue", args=[found.code])}
    if user.pk in services.took_part_in(found):
        return [act | {"why_not": "You took part in this work; somebody else signs the report."}]
    hint = "What this page shows now is frozen, numbered and signed. Later data change nothing in it."
    form = issuing or IssueForm()
    form.auto_id = "issue_%s"
    return [act | {"form": form, "hint": hint, "submit": "Sign and issue"}]


def _rows(items: list[dict[str, Any]], answer: selectors.Answer) -> list[dict[str, Any]]:
    """The samples of a ranking with their names, their mean as a figure, and what speaks against them."""
    return [
        {
            **item,
            "name": answer.names.get(item["sample"], ""),
            "figure": _figure(item, answer.ranking["unit"]),
            "marks": answer.marks.get(item["sample"], []),
        }
        for item in items
    ]


def _difference(pair: dict[str, Any], unit: str) -> dict[str, Any]:
    low, high = pair["interval"]
    return {**pair, "figure": {"value": pair["difference"], "unit": unit, "U95": (high - low) / 2}}


def _of_difference(unit: str) -> str:
    """The unit of a difference: of two temperatures it is the kelvin."""
    return "K" if unit == "degC" else unit


def _figure(item: dict[str, Any], unit: str) -> dict[str, Any]:
    interval = item["interval"]
    expanded = (interval[1] - interval[0]) / 2 if interval else None
    return {"value": item["mean"], "u": item["u"], "unit": unit, "U95": expanded, "dof": item["dof"]}


def _actions(user: Any, found: Any, bound: InclusionForm | None) -> list[dict[str, Any]]:
    acts: list[dict[str, Any]] = []
    if user.may("comparison.change") and found.state == "draft":
        acts.append({"label": "Change the question", "url": reverse("comparison-change", args=[found.code])})
    if user.may("comparison.include") and found.state == "draft":
        acts.append(
            {
                "label": "Include with a reason",
                "hint": "Ranks a sample that is left out for a hold, an open case or an exploratory batch. Flags are "
                "set aside on the run itself.",
                "form": bound or InclusionForm(comparison=found),
                "url": reverse("comparison-include", args=[found.code]),
            }
        )
    return acts


@page("comparison.change")
def comparison_change(request: HttpRequest, code: str) -> HttpResponse:
    """Change what is asked."""
    user = person(request)
    found = selectors.get_comparison_for(user, code)
    form = QuestionForm(request.POST or None, version=found.method_version, initial=_initial(found))
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: once(key_of(request), services.change_comparison)(
            found, actor=user, version=int(request.POST.get("version") or 0), **_asked(form.cleaned_data)
        ),
        to=_page_of,
    )
    context = {"form": form, "method": found.method_version, "comparison": found}
    return done or render(request, "comparisons/new.html", context, status=status_of(form))


def _initial(found: Any) -> dict[str, Any]:
    return {
        "title": found.title,
        "question": found.question,
        "samples": list(found.samples.all()),
        "figure": found.figure,
        "reference": found.reference,
        "confidence": 100 * found.confidence,
    }


@require_POST
@page("comparison.include")
def comparison_include(request: HttpRequest, code: str) -> HttpResponse:
    """Rank a sample although something speaks against it."""
    user = person(request)
    found = selectors.get_comparison_for(user, code)
    form = InclusionForm(request.POST, comparison=found)
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.include_sample)(found, actor=user, **form.cleaned_data),
        to=_page_of,
    )
    return done or show_comparison(request, code, form)


@require_POST
@page("comparison.issue")
def comparison_issue(request: HttpRequest, code: str) -> HttpResponse:
    """Sign what a comparison shows now as a report."""
    user = person(request)
    found = selectors.get_comparison_for(user, code)
    form = IssueForm(request.POST)
    if form.is_valid():
        try:
            issue = once(key_of(request), services.issue_report)
            made = issue(found, actor=user, address=check_address(root_of(request)), **form.cleaned_data)
            return redirect("report", code=made.code)
        except Refusal as refusal:
            put_refusal(form, refusal)
    return show_comparison(request, code, issuing=form, status=status_of(form))


@require_GET
@page("export.selection")
def comparison_draft(request: HttpRequest, code: str, kind: str) -> HttpResponse:
    """A comparison as it stands now as a file, marked as a draft on every page."""
    found = selectors.get_comparison_for(person(request), code)
    return sent(exporter_of(kind).write(draft_of(found), DRAFT), kind, f"draft-{found.code}")


@require_GET
@page(READ)
def comparison_figure(request: HttpRequest, code: str) -> HttpResponse:
    """The ranking as a figure."""
    return JsonResponse(selectors.answer_of(selectors.get_comparison_for(person(request), code)).drawing)


@require_GET
@page(READ)
def comparison_statistics(request: HttpRequest, code: str) -> HttpResponse:
    """What else the numbers can tell, and what another tolerance would change; nothing of it is kept."""
    found = selectors.get_comparison_for(person(request), code)
    unit = pretty_unit(_of_difference(selectors.answer_of(found).ranking["unit"]))
    form = StatisticsForm(request.GET or {"spread": "test"}, unit=unit)
    context: dict[str, Any] = {"comparison": found, "form": form, "status": 422}
    if form.is_valid():
        what = selectors.Supposed(**form.supposed())
        try:
            told = selectors.statistics_of(found, what)
        except Refusal as refusal:
            put_refusal(form, refusal)
            return render(request, "comparisons/statistics.html", context, status=refusal.status)
        answer = selectors.answer_of(found)
        context |= {**told, "status": 200, "what": what, "rows": _rows_of(told["ranking"], answer)}
    return render(request, "comparisons/statistics.html", context, status=context["status"])


def _rows_of(ranking: dict[str, Any], answer: selectors.Answer) -> list[dict[str, Any]]:
    return _rows([*ranking["ranking"], *ranking["provisional"]], answer)


@require_GET
@page(READ)
def comparison_takes(request: HttpRequest, code: str) -> HttpResponse:
    """What one sample would need to draw level with another."""
    found = selectors.get_comparison_for(person(request), code)
    chosen = {name: request.GET.get(name) or default for name, default in _pair_to_begin_with(found).items()}
    form = TakesForm(chosen, comparison=found)
    context: dict[str, Any] = {"comparison": found, "form": form, "status": 200}
    if form.is_valid():
        try:
            context["takes"] = _takes_of(found, chosen)["takes"]
            context["query"] = urlencode(chosen)
        except Refusal as refusal:
            context |= {"refusal": refusal, "status": refusal.status}
    else:
        context["status"] = 422
    return render(request, "comparisons/takes.html", context, status=context["status"])


def _takes_of(found: Any, chosen: dict[str, str]) -> dict[str, Any]:
    return selectors.what_it_takes(found, sample=chosen["sample"], target=chosen["target"])


def _pair_to_begin_with(found: Any) -> dict[str, str]:
    """The second of the ranking against the first: what a reader asks first."""
    ranking = selectors.answer_of(found).ranking
    codes = [item["sample"] for item in (*ranking["ranking"], *ranking["provisional"])]
    codes = (codes + sorted(set(found.samples.values_list("code", flat=True)) - set(codes)))[:2]
    return {"sample": codes[1], "target": codes[0]}


@require_GET
@page(READ)
def comparison_takes_figure(request: HttpRequest, code: str) -> HttpResponse:
    """The same as a figure."""
    found = selectors.get_comparison_for(person(request), code)
    return JsonResponse(_takes_of(found, {name: request.GET.get(name, "") for name in ("sample", "target")})["drawing"])


@page(READ)
def gap_map(request: HttpRequest) -> HttpResponse:
    """Gap against apparent conductivity: why a thin, poorer conductor beats a thick, better one."""
    form = MapForm(request.GET or None, user=person(request))
    first = form.fields["method"].queryset.first()  # type: ignore[attr-defined]
    chosen = form.cleaned_data["method"] if form.is_valid() else first
    layers = selectors.shown_layers(selectors.layers_under(chosen)) if chosen else []
    return render(request, "comparisons/map.html", {"form": form, "method": chosen, "layers": layers})


@require_GET
@page(READ)
def gap_map_figure(request: HttpRequest, code: str) -> HttpResponse:
    """The map as a figure."""
    return JsonResponse(selectors.gap_map_of(get_method_version_for(person(request), code)))


urlpatterns = [
    path("comparisons/", comparisons, name="comparisons"),
    path("comparisons/new/", comparison_new, name="comparison-new"),
    path("comparisons/<str:code>/", comparison, name="comparison"),
    path("comparisons/<str:code>/change/", comparison_change, name="comparison-change"),
    path("comparisons/<str:code>/include/", comparison_include, name="comparison-include"),
    path("comparisons/<str:code>/issue/", comparison_issue, name="comparison-issue"),
    path("comparisons/<str:code>/draft/<str:kind>", comparison_draft, name="comparison-draft"),
    path("comparisons/<str:code>/figure.json", comparison_figure, name="comparison-figure"),
    path("comparisons/<str:code>/statistics/", comparison_statistics, name="comparison-statistics"),
    path("comparisons/<str:code>/takes/", comparison_takes, name="comparison-takes"),
    path("comparisons/<str:code>/takes/figure.json", comparison_takes_figure, name="comparison-takes-figure"),
    path("map/", gap_map, name="map"),
    path("map/<path:code>/figure.json", gap_map_figure, name="map-figure"),
]
