"""Nonconformances: what is out of order, until its cause and its action are known."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path

from lims.audit.selectors import history_of, readable
from lims.cases import selectors, services
from lims.cases.states import NonconformanceState
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import page, paged, person
from lims.web.forms.fields import ReasonForm
from lims.web.forms.specifications import CloseForm


@page("laboratory.read")
def nonconformances(request: HttpRequest) -> HttpResponse:
    """Every nonconformance, newest first."""
    state = request.GET.get("state", "")
    context = {
        "page": paged(request, selectors.nonconformances(state=state)),
        "state": state,
        "states": NonconformanceState.choices,
    }
    return render(request, "nonconformances/nonconformances.html", context)


@page("laboratory.read")
def nonconformance(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One nonconformance: its subject, its holds, its cause and action."""
    user = person(request)
    case = selectors.get_nonconformance_for(user, code)
    context = {
        "case": case,
        "holds": case.holds.select_related("placed_by", "lifted_by"),
        "actions": NONCONFORMANCE.buttons(user, case, failed=failed),
        "refusal": failed.refusal if failed else None,
        "entries": readable(history_of("nonconformance", case.code)[:50], user),
    }
    return render(request, "nonconformances/nonconformance.html", context, status=failed.status if failed else 200)


NONCONFORMANCE = RecordPage(
    "nonconformance",
    "nonconformances",
    selectors.get_nonconformance_for,
    nonconformance,
    (
        RecordAct(
            "close",
            "Close",
            "nonconformance.close",
            services.close_nonconformance,
            CloseForm,
            states(NonconformanceState.OPEN),
            main=True,
            hint="Its holds are lifted with it.",
        ),
        RecordAct(
            "cancel",
            "Cancel",
            "nonconformance.close",
            services.cancel_nonconformance,
            ReasonForm,
            states(NonconformanceState.OPEN),
            hint="Only for one opened by mistake; it stays on record.",
        ),
    ),
)

urlpatterns = [
    path("nonconformances/", nonconformances, name="nonconformances"),
    *NONCONFORMANCE.paths(),
    path("nonconformances/<str:code>/", nonconformance, name="nonconformance"),
]
