"""Specifications: limits by version, approved by another person."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.core.codes import parse_code
from lims.core.quantities import from_si
from lims.formulations.selectors import formulations
from lims.materials.selectors import get_material_for
from lims.quality.selectors import would_change
from lims.specifications import selectors, services
from lims.specifications.states import SpecificationState
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.fields import SignForm
from lims.web.forms.specifications import ApproveForm, LimitForm, RuleForm, SpecificationForm, limits_of, rule_of
from lims.web.rows import filled, head_form, is_adding, row_set


@page("laboratory.read")
def specifications(request: HttpRequest) -> HttpResponse:
    """Every specification, newest first."""
    text = request.GET.get("text", "").strip()
    context = {
        "page": paged(request, selectors.specifications(text=text)),
        "text": text,
        "may_draft": person(request).may("specification.draft"),
    }
    return render(request, "specifications/specifications.html", context)


@page("specification.draft")
def specification_new(request: HttpRequest) -> HttpResponse:
    """Write a specification."""
    form = head_form(request, SpecificationForm, initial={"subject": request.GET.get("subject", "")})
    limits = row_set(request, LimitForm, prefix="limits")

    def create() -> Any:
        return once(key_of(request), services.create_specification)(
            actor=person(request),
            name=form.cleaned_data["name"],
            subject=_subject(request, form.cleaned_data["subject"]),
            limits=limits_of(filled(limits)),
            **rule_of(form.cleaned_data),
        )

    return _send(request, form, limits, create) or _form_page(request, form, limits)


@page("specification.draft")
def specification_edit(request: HttpRequest, code: str) -> HttpResponse:
    """Write the limits of a draft, or of the next version when this one is approved."""
    version = selectors.get_specification_for(person(request), code)
    draft = version.state == SpecificationState.DRAFT
    service = services.edit_specification if draft else services.new_specification_version
    form = head_form(request, RuleForm, initial=_rule_initial(version))
    limits = row_set(request, LimitForm, prefix="limits", initial=[_limit_initial(row) for row in version.limits.all()])

    def write() -> Any:
        return once(key_of(request), service)(
            version,
            actor=person(request),
            limits=limits_of(filled(limits)),
            **rule_of(form.cleaned_data),
        )

    return _send(request, form, limits, write) or _form_page(request, form, limits, version)


def _limit_initial(limit: Any) -> dict[str, Any]:
    unit, of = selectors.shown_unit_of(limit.quantity), selectors.dimension_of(limit.quantity)
    found = {name: getattr(limit, name) for name in ("lower", "upper", "warn_lower", "warn_upper")}
    ends = {n: "" if v is None else f"{from_si(v, unit=unit, of=of):.10g}" for n, v in found.items()}
    asked = {"results_required": limit.results_required, "basis": limit.basis}
    return {"quantity": limit.quantity, "unit": unit, **asked, **ends}


def _rule_initial(version: Any) -> dict[str, Any]:
    return {"guard_factor": f"{version.guard_factor:g}", "risk": "" if version.risk is None else f"{version.risk:g}"}


def _subject(request: HttpRequest, code: str) -> Any:
    kind, plain = parse_code(code)
    if kind.name == "material":
        return get_material_for(person(request), plain)
    return formulations(text=plain).get(code=plain)


def _send(request: HttpRequest, form: Any, limits: Any, act: Any) -> HttpResponse | None:
    if request.method != "POST" or is_adding(request):
        return None
    if not limits.is_valid():
        form.is_valid()
        form.add_error(None, "Some rows are not right. What you typed is still here.")
        return None
    return submitted(request, form, act, to=lambda made: reverse("specification", args=[made.code]))


def _form_page(request: HttpRequest, form: Any, limits: Any, version: Any = None) -> HttpResponse:
    context = {"form": form, "limits": limits, "version": version}
    return render(request, "specifications/specification_form.html", context, status=status_of(form))


@page("laboratory.read")
def specification(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One version: its limits, its rule, and what it would change."""
    user = person(request)
    version = selectors.get_specification_for(user, code)
    approved = version.state == SpecificationState.APPROVED
    context = {
        "version": version,
        "words": selectors.state_words(version),
        "limits": [selectors.limit_shown(limit) for limit in version.limits.all()],
        "versions": version.specification.versions.order_by("-number"),
        "would_change": would_change(version) if approved or version.state == SpecificationState.DRAFT else [],
        "may_edit": user.may("specification.draft"),
        "actions": SPECIFICATION.buttons(user, version, failed=failed),
        "refusal": failed.refusal if failed else None,
        "entries": readable(history_of("specification version", version.code)[:50], user),
    }
    return render(request, "specifications/specification.html", context, status=failed.status if failed else 200)


def _others(user: Any, version: Any) -> str:
    return "You wrote this version; somebody else approves it." if version.author_id == user.pk else ""


SPECIFICATION = RecordPage(
    "specification",
    "specifications",
    selectors.get_specification_for,
    specification,
    (
        RecordAct(
            "approve",
            "Approve",
            "specification.approve",
            services.approve_specification,
            ApproveForm,
            states(SpecificationState.DRAFT),
            main=True,
            why_not=_others,
        ),
        RecordAct(
            "withdraw",
            "Withdraw",
            "specification.approve",
            services.withdraw_specification,
            SignForm,
            states(SpecificationState.APPROVED),
            why_not=_others,
        ),
    ),
)

urlpatterns = [
    path("specifications/", specifications, name="specifications"),
    path("specifications/new/", specification_new, name="specification-new"),
    *SPECIFICATION.paths(),
    path("specifications/<path:code>/edit/", specification_edit, name="specification-edit"),
    path("specifications/<path:code>/", specification, name="specification"),
]
