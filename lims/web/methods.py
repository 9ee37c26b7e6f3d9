"""Methods: what "matched" means, in versions; approved by somebody who did not write them."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.rigs import selectors, services
from lims.rigs.states import MethodState
from lims.runs.selectors.applications import applications_for
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms import methods as forms
from lims.web.forms.fields import ReasonForm

READ = "laboratory.read"


@page(READ)
def methods(request: HttpRequest) -> HttpResponse:
    """Every method, and which version is in force."""
    user = person(request)
    listed = paged(request, selectors.methods_for(user))
    in_force = {version.method_id: version for version in selectors.effective_versions()}
    rows = [{"method": method, "in_force": in_force.get(method.pk)} for method in listed]
    context = {"page": listed, "rows": rows, "may_create": user.may("method.create")}
    return render(request, "methods/methods.html", context)


@page("method.create")
def method_new(request: HttpRequest) -> HttpResponse:
    """Begin a method with its first version."""
    form = forms.MethodForm(request.POST or None)
    done = submitted(request, form, lambda: _create(request, form), to=_page_of)
    return done or render(request, "methods/form.html", {"form": form, "title": "New method"}, status=status_of(form))


def _create(request: HttpRequest, form: forms.MethodForm) -> Any:
    return once(key_of(request), services.create_method)(actor=person(request), **form.values())


def _page_of(record: Any) -> str:
    return reverse("method", args=[record.code])


@page(READ)
def method(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One version of a method (the newest where none is named), and the others beside it."""
    user = person(request)
    version = selectors.get_version_of_method_for(user, code)
    if code not in (version.code, version.method.code):
        return redirect("method", version.code)
    context = {
        "method": version.method,
        "version": version,
        "in_force": selectors.is_effective(version),
        "shown": forms.version_initial(version),
        "versions": selectors.versions_of(version.method),
        "actions": METHOD.buttons(user, version, failed=failed),
        "refusal": failed.refusal if failed else None,
        "may_edit": user.may("method.edit") and version.state == "draft" and version.author_id == user.pk,
        "may_draft": user.may("method.edit") and not selectors.draft_of(version.method),
        "applications": applications_for(user, method=version.code)[:50],
        "entries": readable(history_of("method", version.method.code)[:50], user),
    }
    return render(request, "methods/method.html", context, status=failed.status if failed else 200)


@page("method.edit")
def method_next(request: HttpRequest, code: str) -> HttpResponse:
    """Draft the next version, filled from the last."""
    last = selectors.get_version_of_method_for(person(request), code)
    form = forms.VersionForm(request.POST or None, initial=forms.version_initial(last) | {"reason": ""})
    done = submitted(request, form, lambda: _draft(request, form, last.method), to=_page_of)
    context = {"form": form, "method": last.method, "title": f"Next version of {last.method.name}"}
    return done or render(request, "methods/form.html", context, status=status_of(form))


def _draft(request: HttpRequest, form: forms.VersionForm, found: Any) -> Any:
    return once(key_of(request), services.draft_method_version)(found, actor=person(request), **form.content())


@page("method.edit")
def method_edit(request: HttpRequest, code: str) -> HttpResponse:
    """Change one's own draft."""
    version = selectors.get_version_of_method_for(person(request), code)
    form = forms.VersionForm(request.POST or None, initial=forms.version_initial(version))
    done = submitted(request, form, lambda: _edit(request, form, version), to=_page_of)
    context = {"form": form, "method": version.method, "title": f"Change {version.code}"}
    return done or render(request, "methods/form.html", context, status=status_of(form))


def _edit(request: HttpRequest, form: forms.VersionForm, version: Any) -> Any:
    return once(key_of(request), services.edit_method_version)(version, actor=person(request), **form.content())


def _own_draft(user: Any, version: Any) -> str:
    return "You wrote it; somebody else of quality approves it." if version.author_id == user.pk else ""


_S = MethodState
METHOD = RecordPage(
    "method",
    "methods",
    selectors.get_version_of_method_for,
    method,
    (
        RecordAct(
            "approve", "Approve", "method.release", services.approve_method_version, forms.ApproveForm,
            states(_S.DRAFT), main=True, why_not=_own_draft,
        ),
        RecordAct(
            "retire", "Retire", "method.retire", services.retire_method_version, ReasonForm, states(_S.APPROVED),
            hint="No new work by it. Old runs keep it, marked as retired.",
        ),
    ),
)  # fmt: skip

urlpatterns = [
    path("methods/", methods, name="methods"),
    path("methods/new/", method_new, name="method-new"),
    path("methods/<path:code>/next/", method_next, name="method-next"),
    path("methods/<path:code>/edit/", method_edit, name="method-edit"),
    *METHOD.paths(),
    path("methods/<path:code>/", method, name="method"),
]
