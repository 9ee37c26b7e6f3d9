"""Figures of rigs: found in runs made for them, accepted by another person, dated."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.rigs.selectors import get_rig_for
from lims.runs.selectors import rig_figures as selectors
from lims.runs.selectors.reductions import figure_rows_of
from lims.runs.services import rig_figures as services
from lims.signatures.selectors import signatures_of
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, person, status_of, submitted
from lims.web.forms.fields import ReasonForm
from lims.web.forms.rig_figures import AcceptForm, ProposeForm
from lims.web.study_parts import sections_of


@page("rig.propose_figure")
def rig_figure_new(request: HttpRequest, code: str) -> HttpResponse:
    """Choose a figure and the runs it is found in."""
    user = person(request)
    rig = get_rig_for(user, code)
    offered = [(run.code, _words(run)) for run in selectors.runs_for_figures(user, rig)]
    form = ProposeForm(request.POST or None, runs=offered)
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: once(key_of(request), services.propose_rig_figure)(
            rig,
            actor=user,
            **(form.cleaned_data | {"runs": selectors.get_runs_for_figures(user, form.cleaned_data["runs"])}),
        ),
        to=lambda made: reverse("rig-figure", args=[made.code]),
    )
    context = {"rig": rig, "form": form, "offered": offered}
    return done or render(request, "rigs/figure_new.html", context, status=status_of(form))


def _words(run: Any) -> str:
    what = run.application.sample.name if run.application else run.get_kind_display()
    began = run.started_at or run.uploaded_at
    return f"{run.code}: {what}, {began:%Y-%m-%d %H:%M}"


@page("laboratory.read")
def rig_figure(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One figure of a rig: what was found, in which runs, and who accepted it from when."""
    user = person(request)
    found = selectors.get_rig_figure_for(user, code)
    context = {
        "figure": found,
        "rows": figure_rows_of(found.result),
        "sections": sections_of(found.result),
        "drawing": selectors.drawing_of_figure(found),
        "runs": found.runs.order_by("id"),
        "older": selectors.made_under(found),
        "signatures": signatures_of("rig figure", found.code),
        "actions": FIGURE.buttons(user, found, failed=failed),
        "refusal": failed.refusal if failed else None,
        "entries": readable(history_of("rig figure", found.code)[:50], user),
    }
    return render(request, "rigs/figure.html", context, status=failed.status if failed else 200)


FIGURE = RecordPage(
    "rig-figure",
    "rig-figures",
    selectors.get_rig_figure_for,
    rig_figure,
    (
        RecordAct(
            "accept",
            "Accept",
            "rig.accept_figure",
            services.accept_rig_figure,
            AcceptForm,
            states("proposed"),
            main=True,
            values=AcceptForm.values,
            hint="By signature; not by who made the runs or proposed it.",
        ),
        RecordAct(
            "turn-down",
            "Turn down",
            "rig.accept_figure",
            services.turn_down_rig_figure,
            ReasonForm,
            states("proposed"),
            hint="It stays on record.",
        ),
    ),
)

urlpatterns = [
    path("rigs/<str:code>/figures/new/", rig_figure_new, name="rig-figure-new"),
    *FIGURE.paths(),
    path("rig-figures/<str:code>/", rig_figure, name="rig-figure"),
]
