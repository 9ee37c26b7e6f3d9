"""A claim held against physics, against its own companions, and against what was measured here."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_GET

from lims.core.claims import judge_claim
from lims.core.errors import Refusal
from lims.core.quantities import to_si
from lims.runs.selectors.claims import Measured, claim_beside_sample
from lims.web.doors import page, person, put_refusal, status_of
from lims.web.forms.claims import ClaimForm

_MORE = 5  # fields that stand open; the others open on demand


@require_GET
@page("laboratory.read")
def claim(request: HttpRequest) -> HttpResponse:
    """The form, and below it the answer in sentences where something was claimed."""
    asked = any(str(value).strip() for value in request.GET.values())
    form = ClaimForm(request.GET if asked else None)
    context: dict[str, Any] = {"form": form}
    if asked and form.is_valid():
        try:
            context |= _answer(request, form)
        except Refusal as refusal:
            put_refusal(form, refusal)
    fields = list(form)
    more = fields[_MORE:]
    context |= {"first": fields[:_MORE], "more": more, "open": any(field.value() or field.errors for field in more)}
    return render(request, "claims/claim.html", context, status=status_of(form) if form.is_bound else 200)


def _answer(request: HttpRequest, form: ClaimForm) -> dict[str, Any]:
    values, kind = form.values, form.cleaned_data["kind"]
    code = form.cleaned_data["sample"]
    found: dict[str, Any] = {"judged": judge_claim(values, kind=kind)} if values else {}
    return found | ({"measured": _beside(request, code, values, kind), "sample": code} if code else {})


def _beside(request: HttpRequest, code: str, values: dict[str, float], kind: str) -> Measured | None:
    claimed = values.get("conductivity")
    conductivity = None if claimed is None else to_si(claimed, unit="W/(m*K)", of="conductivity")
    return claim_beside_sample(person(request), code, conductivity=conductivity, kind=kind)


urlpatterns = [path("claims/", claim, name="claims")]
