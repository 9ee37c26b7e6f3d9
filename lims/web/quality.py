"""Nonconformances: what is out of order, until its cause and its action are known."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path

from lims.audit.selectors import history_of, readable
from lims.cases import selectors, services
from lims.cases.states import NonconformanceState
from lims.signatures.selectors import signatures_of
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import page, paged, person
from lims.web.forms.fields import ReasonForm
from lims.web.forms.quality import (
    ActionForm,
    CauseForm,
    CloseForm,
    DispositionForm,
    FindingForm,
    ItemForm,
    RepeatsForm,
    ReviewForm,
)


@page("laboratory.read")
def nonconformances(request: HttpRequest) -> HttpResponse:
    """Every nonconformance, newest first."""
    state = request.GET.get("state", "")
    context = {
        "page": paged(request, selectors.nonconformances(state=state)),
        "state": state,
        "states": [("standing", "not settled"), *NonconformanceState.choices],
    }
    return render(request, "nonconformances/nonconformances.html", context)


@page("laboratory.read")
def nonconformance(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One nonconformance: what it is about, what was looked at, decided and done, who signed."""
    user = person(request)
    case = selectors.get_nonconformance_for(user, code)
    context = {
        "case": case,
        "checklist": selectors.checklist_of(case) if case.state != NonconformanceState.OPEN else [],
        "plans": case.plans.select_related("runner", "approved_by"),
        "same_cause": selectors.same_cause(case)[:10],
        "signatures": signatures_of("nonconformance", case.code),
        "holds": case.holds.select_related("placed_by", "lifted_by"),
        "actions": NONCONFORMANCE.buttons(user, case, failed=failed),
        "refusal": failed.refusal if failed else None,
        "entries": readable(history_of("nonconformance", case.code)[:50], user),
    }
    return render(request, "nonconformances/nonconformance.html", context, status=failed.status if failed else 200)


_S = NonconformanceState
LOOK = "nonconformance.investigate"
NONCONFORMANCE = RecordPage(
    "nonconformance",
    "nonconformances",
    selectors.get_nonconformance_for,
    nonconformance,
    (
        RecordAct("start", "Start the first look", LOOK, services.start_investigation, None, states(_S.OPEN), True),
        RecordAct("check-item", "Answer an item", LOOK, services.check_item, ItemForm, states(_S.PHASE_1), True),
        RecordAct(
            "find-cause",
            "Sign an assignable cause",
            LOOK,
            services.find_cause,
            CauseForm,
            states(_S.PHASE_1),
            values=CauseForm.values,
            hint="Two persons and evidence. Without these a result is not set aside.",
        ),
        RecordAct(
            "find-no-cause",
            "No cause found: go on to the review",
            LOOK,
            services.find_no_cause,
            FindingForm,
            states(_S.PHASE_1),
        ),
        RecordAct(
            "plan-repeats",
            "Plan repeats",
            "nonconformance.decide",
            services.plan_repeats,
            RepeatsForm,
            states(_S.PHASE_2),
            values=RepeatsForm.values,
            hint="Written before there are data; fixed from then on. Another person makes them.",
        ),
        RecordAct(
            "conclude", "Conclude the review", LOOK, services.conclude_review, ReviewForm, states(_S.PHASE_2), True
        ),
        RecordAct(
            "decide",
            "Decide what is done",
            "nonconformance.decide",
            services.decide_disposition,
            DispositionForm,
            states(_S.DISPOSITION),
            main=True,
            values=DispositionForm.values,
        ),
        RecordAct(
            "finish",
            "Say what was done",
            "nonconformance.act",
            services.finish_action,
            ActionForm,
            states(_S.ACTION),
            main=True,
            shown=lambda user, case: case.owner_id == user.pk,
        ),
        RecordAct(
            "close",
            "Close",
            "nonconformance.close",
            services.close_nonconformance,
            CloseForm,
            states(_S.EFFECTIVENESS),
            main=True,
            hint="Its holds are lifted with it.",
        ),
        RecordAct(
            "reopen",
            "Take it up again",
            "nonconformance.close",
            services.reopen_nonconformance,
            ReasonForm,
            states(_S.CLOSED),
            hint="On new evidence. What was said stays; a new hold stands.",
        ),
        RecordAct(
            "cancel",
            "Cancel",
            "nonconformance.close",
            services.cancel_nonconformance,
            ReasonForm,
            states(_S.OPEN),
            hint="Only for one opened by mistake; it stays on record.",
        ),
    ),
)

urlpatterns = [
    path("nonconformances/", nonconformances, name="nonconformances"),
    *NONCONFORMANCE.paths(),
    path("nonconformances/<str:code>/", nonconformance, name="nonconformance"),
]
