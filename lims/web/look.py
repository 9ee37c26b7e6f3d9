"""One page that shows every part of the look, for looking at. Only in a trial or with DEBUG on."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import path

from lims.core.cautions import CAUTIONS
from lims.core.errors import WrongState
from lims.web.forms.fields import NumberField, ReasonForm
from lims.web.states import KINDS

FIGURE = {"value": 12.3456, "unit": "mm^2*K/W", "u": 0.2987, "dof": 61.0, "k": 2.0, "U95": 0.5973}


class ExampleForm(forms.Form):
    """A form with every kind of field."""

    name = forms.CharField(help_text="As it stands on the label.")
    mass = NumberField(label="Amount", unit="g", least=0)
    kind = forms.ChoiceField(choices=[("filler", "filler"), ("fluid", "carrier fluid")])
    received = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}))
    remarks = forms.CharField(widget=forms.Textarea(attrs={"rows": 3}), required=False)
    pattern = forms.ChoiceField(choices=[("dot", "one dot"), ("cross", "cross")], widget=forms.RadioSelect)
    checked = forms.BooleanField(label="The container is closed and dry", required=False)


class WeighForm(forms.Form):
    """The one field of a bench step, with the value that is expected."""

    mass = NumberField(label="Amount", unit="g", least=0)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["mass"].expect(250)  # type: ignore[attr-defined]


def look(request: HttpRequest) -> HttpResponse:
    """Every part, in light or dark by the reader's preference."""
    _only_for_looking()
    messages.success(request, "Lot LOT-0042 received.")
    messages.warning(request, "The zero of RIG-01 is six hours old.")
    return render(request, "look/look.html", _parts())


def bench(request: HttpRequest) -> HttpResponse:
    """A bench page: one step a screen."""
    _only_for_looking()
    form = WeighForm(request.POST or None)
    return render(request, "look/bench.html", {"form": form, "steps": ["done", "done", "now", "", "", ""]})


def figure(request: HttpRequest) -> JsonResponse:
    """An invented curve for the example plot; a zoom gives the same shape in the part asked for."""
    _only_for_looking()
    start, end = float(request.GET.get("from", 0)), float(request.GET.get("to", 1800))
    xs = [start + (end - start) * i / 400 for i in range(401)]
    rise = [24.0 * (1 - 2.718281828 ** (-x / 180)) for x in xs]
    trace = {"type": "scatter", "mode": "lines", "x": xs, "y": rise, "name": "temperature rise"}
    layout = {"xaxis": {"title": {"text": "time / s"}}, "yaxis": {"title": {"text": "temperature rise / K"}}}
    return JsonResponse({"data": [trace], "layout": layout})


def files(request: HttpRequest) -> JsonResponse:
    """Take files for the example drop zone; they are not kept."""
    _only_for_looking()
    sent = [file for name in request.FILES for file in request.FILES.getlist(name)]
    size = sum(file.size or 0 for file in sent)
    return JsonResponse({"message": f"received, {size} bytes; not kept, this page is for looking at"}, status=201)


def _only_for_looking() -> None:
    if not (settings.DEBUG or getattr(settings, "TRIAL", False)):
        raise Http404


def _parts() -> dict[str, Any]:
    wrong = ExampleForm(
        {"name": "", "mass": "1,234", "kind": "filler", "received": "2026-11-25", "pattern": "dot"}, auto_id="wrong_%s"
    )
    return {
        "kinds": KINDS,
        "figure": FIGURE,
        "moment": datetime(2026, 11, 25, 7, 45, 12, tzinfo=UTC),
        "form": ExampleForm(),
        "wrong": wrong,
        "refusal": WrongState(
            "LOT-0042 is in quarantine; only a released lot can be weighed.",
            next_step="Ask quality to decide on the lot, or take another lot.",
            allowed=["start test", "void"],
        ),
        "flags": [
            SimpleNamespace(
                severity="blocks",
                message="The zero is 9.2 h older than the run's start; 8 h are allowed.",
                figures=("gap", "apparent conductivity"),
                what_to_do="Take a zero now and reduce the run again with it.",
            ),
            SimpleNamespace(
                severity="cautions", message="Coolant inlet moved by 0.7 K over the plateau.", figures=(), what_to_do=""
            ),
        ],
        "actions": [
            {"label": "Release", "why_not": "Two characteristics have no result yet."},
            {"label": "Put on hold", "form": ReasonForm(), "url": "#", "open": True},
            {"label": "Print label", "url": "#"},
        ],
        "rows": [
            {"code": "R-0525", "sample": "S-0311", "state": "accepted", "figure": FIGURE},
            {
                "code": "R-0526",
                "sample": "S-0312",
                "state": "unqualified",
                "figure": {**FIGURE, "value": 8.071, "U95": 0.043},
            },
            {"code": "R-0527", "sample": "S-0312", "state": "refused", "figure": None},
        ],
        "page": Paginator(range(123), 50).page(2),
        "entries": [
            SimpleNamespace(
                at=datetime(2026, 11, 25, 7, 45, 12, tzinfo=UTC),
                actor=SimpleNamespace(printed_name="Ida Quill"),
                act="lot.correct_quantity",
                subject_code="LOT-0042",
                changes=[
                    {"kind": "lot", "code": "LOT-0042", "field": "quantity", "old": "25.00 kg", "new": "250.0 kg"}
                ],
                reason="Read the delivery note again.",
                refused=False,
            )
        ],
        "caution_keys": list(CAUTIONS)[:3],
        "checks": [
            {"ok": True, "label": "You are authorised for M-004/2 on RIG-01"},
            {"caution": True, "label": "Calibration of the force channel", "why": "due tomorrow"},
            {"label": "Zero", "why": "older than 8 h: take one first"},
        ],
    }


urlpatterns = [
    path("look/", look, name="look"),
    path("look/bench/", bench, name="look-bench"),
    path("look/figure", figure, name="look-figure"),
    path("look/files", files, name="look-files"),
]
