"""Control charts: what is watched, its limits, what broke a rule, and what was answered."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.core.errors import NotFound, Refusal
from lims.quality import control, services
from lims.specifications.selectors import label_of, shown_unit_of
from lims.web.acts import Failed, RecordAct, RecordPage
from lims.web.doors import key_of, page, paged, person, refusal_page, status_of, submitted
from lims.web.forms.charts import AnswerForm, ChartForm, PhaseForm


@page("laboratory.read")
def charts(request: HttpRequest) -> HttpResponse:
    """Every control chart, newest first, with what waits for an answer."""
    shown = paged(request, control.charts())
    rows = [(chart, control.title_of(chart), _open(chart)) for chart in shown.object_list]
    context = {"page": shown, "rows": rows, "may_create": person(request).may("chart.create")}
    return render(request, "charts/charts.html", context)


def _open(chart: Any) -> int:
    return sum(signal.answered_at is None for signal in chart.signals.all())


@page("chart.create")
def chart_new(request: HttpRequest) -> HttpResponse:
    """Choose what is watched."""
    form = ChartForm(request.POST or None, initial={"subject": request.GET.get("subject", "")})
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: once(key_of(request), services.create_chart)(actor=person(request), **form.values()),
        to=lambda made: reverse("control-chart", args=[made.code]),
    )
    return done or render(request, "charts/chart_new.html", {"form": form}, status=status_of(form))


@page("laboratory.read")
def chart(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One chart: its plot, its phase, its signals, capability where limits stand."""
    user = person(request)
    found = control.get_chart_for(user, code)
    context = {
        "chart": found,
        "title": control.title_of(found),
        "label": label_of(found.quantity),
        "unit": shown_unit_of(found.quantity),
        "rules": control.RULES[found.rules],
        "phase": control.phase_of(found),
        "points": control.shown_points(found),
        "signals": found.signals.select_related("answered_by"),
        "capability": control.capability_of(found),
        "answer_form": AnswerForm() if user.may("chart.answer") else None,
        "actions": CHART.buttons(user, found, failed=failed),
        "refusal": failed.refusal if failed else None,
        "entries": readable(history_of("control chart", found.code)[:50], user),
    }
    return render(request, "charts/chart.html", context, status=failed.status if failed else 200)


@page("laboratory.read")
def chart_plot(request: HttpRequest, code: str) -> HttpResponse:
    """The chart as a plot."""
    drawn = control.drawing_of(control.get_chart_for(person(request), code))
    if drawn is None:
        raise NotFound("The chart has no phase yet.")
    return JsonResponse(drawn)


@require_POST
@page("chart.answer")
def signal_answer(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Answer a signal."""
    user = person(request)
    found = control.get_chart_for(user, code)
    try:
        services.answer_signal(
            control.get_signal_for(user, found, number), actor=user, answer=request.POST.get("answer", "")
        )
    except Refusal as refusal:
        return refusal_page(request, refusal)
    return redirect("control-chart", code)


CHART = RecordPage(
    "control-chart",
    "charts",
    control.get_chart_for,
    chart,
    (
        RecordAct(
            "fix-phase",
            "Fix the limits",
            "chart.fix_phase",
            services.fix_phase,
            PhaseForm,
            hint="From the points named, by signature. Later points never move them.",
        ),
    ),
)

urlpatterns = [
    path("charts/", charts, name="charts"),
    path("charts/new/", chart_new, name="chart-new"),
    *CHART.paths(),
    path("charts/<str:code>/signals/<int:number>/answer/", signal_answer, name="signal-answer"),
    path("charts/<str:code>/plot/", chart_plot, name="chart-plot"),
    path("charts/<str:code>/", chart, name="control-chart"),
]
