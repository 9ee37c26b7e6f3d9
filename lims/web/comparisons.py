"""Comparisons: ask how samples rank under one method, see what was left out; the map of gap and conductivity."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_POST

from lims.accounts.acts import once
from lims.audit.selectors import history_of
from lims.comparisons import selectors, services
from lims.core.display import pretty_unit
from lims.rigs.selectors import get_method_version_for
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.comparisons import InclusionForm, MapForm, MethodForm, QuestionForm

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
    return _show(request, code)


def _show(request: HttpRequest, code: str, bound: InclusionForm | None = None) -> HttpResponse:
    user = person(request)
    found = selectors.get_comparison_for(user, code)
    answer = selectors.answer_of(found)
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
        "actions": _actions(user, found, bound),
        "inclusions": found.inclusions.select_related("sample", "by"),
        "came_from": [found.method_version.code, *sorted(answer.names)],
        "went_into": [],
        "entries": history_of("comparison", code)[:50],
    }
    return render(request, "comparisons/comparison.html", context, status=status_of(bound) if bound else 200)


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
    return done or _show(request, code, form)


@require_GET
@page(READ)
def comparison_figure(request: HttpRequest, code: str) -> HttpResponse:
    """The ranking as a figure."""
    return JsonResponse(selectors.answer_of(selectors.get_comparison_for(person(request), code)).drawing)


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
    path("comparisons/<str:code>/figure.json", comparison_figure, name="comparison-figure"),
    path("map/", gap_map, name="map"),
    path("map/<path:code>/figure.json", gap_map_figure, name="map-figure"),
]
