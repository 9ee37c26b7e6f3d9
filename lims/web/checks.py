"""Checks between calibrations on a rig, and who is authorized for what."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from lims.accounts.acts import once, require
from lims.accounts.selectors import get_person_named
from lims.core.errors import Invalid, NotFound
from lims.files.services import store_file
from lims.rigs import authorizations as authorizations_
from lims.rigs import checks as checks_
from lims.rigs import selectors, services
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.checks import CHECK_KINDS, AuthorizationForm, CheckForm, ScheduleForm

READ = "laboratory.read"
MOST_DRAWN = 200


@page(READ)
def rig_checks(request: HttpRequest, code: str) -> HttpResponse:
    """The checks of a rig: what is asked for, what was found last, what is due."""
    rig = selectors.get_rig_for(person(request), code)
    states = {status.schedule.kind: status for status in checks_.check_states(rig)}
    rows = [(kind, label, states.get(kind)) for kind, label in CHECK_KINDS]
    return render(request, "rigs/checks.html", {"rig": rig, "rows": rows, "units": checks_.UNITS})


@page(READ)
def rig_check(request: HttpRequest, code: str, kind: str) -> HttpResponse:
    """One kind of check over time; it is recorded and asked for here."""
    user = person(request)
    rig, label = selectors.get_rig_for(user, code), dict(CHECK_KINDS).get(kind)
    if label is None:
        raise NotFound(f"There is no check '{kind}'.")
    sent = request.POST if request.method == "POST" else None
    asks = sent is not None and "limit" in sent
    schedule_form = ScheduleForm(sent if asks else None, kind=kind, prefix="")
    names = checks_.names_of(rig, kind)
    form = CheckForm(None if asks else sent, request.FILES or None, kind=kind, names=names)
    if sent is not None:
        require(user, "rig.schedule_check" if asks else "rig.check")
        act = _schedule if asks else _record
        used: Any = schedule_form if asks else form
        done = submitted(request, used, lambda: act(request, rig, used), to=lambda _: request.path)
        if done:
            return done
    listed = paged(request, checks_.checks_of(rig, kind=kind))
    status = next((s for s in checks_.check_states(rig) if s.schedule.kind == kind), None)
    context = {
        "rig": rig,
        "kind": kind,
        "label": label,
        "unit": checks_.UNITS[kind][0],
        "status": status,
        "page": listed,
        "drawing": checks_.check_drawing(checks_.checks_of(rig, kind=kind)[:MOST_DRAWN], kind),
        "form": form if status and user.may("rig.check") else None,
        "schedule_form": schedule_form if user.may("rig.schedule_check") else None,
    }
    return render(request, "rigs/check.html", context, status=status_of(schedule_form if asks else form))


def _schedule(request: HttpRequest, rig: Any, form: ScheduleForm) -> Any:
    return once(key_of(request), services.schedule_check)(rig, actor=person(request), **form.values())


def _record(request: HttpRequest, rig: Any, form: CheckForm) -> Any:
    user, values = person(request), form.values()
    file = values.pop("evidence")
    stored = store_file(file, name=file.name, media_type=file.content_type, by=user) if file else None
    return once(key_of(request), services.record_check)(rig, actor=user, evidence=stored, **values)


@page(READ)
def authorizations(request: HttpRequest) -> HttpResponse:
    """Who is covered for what today, in one table; quality grants here."""
    user = person(request)
    sent = request.POST if request.method == "POST" else None
    form = AuthorizationForm(sent, request.FILES or None)
    if sent is not None:
        require(user, "authorization.grant")
        done = submitted(request, form, lambda: _grant(request, form), to=lambda _: request.path)
        if done:
            return done
    subjects, rows = authorizations_.coverage()
    context = {
        "subjects": subjects,
        "rows": rows,
        "today": timezone.localdate(),
        "page": paged(request, authorizations_.authorizations_for(user).order_by("-id")),
        "form": form if user.may("authorization.grant") else None,
        "may_withdraw": user.may("authorization.withdraw"),
    }
    return render(request, "rigs/authorizations.html", context, status=status_of(form))


def _grant(request: HttpRequest, form: AuthorizationForm) -> Any:
    user, data = person(request), dict(form.cleaned_data)
    named = get_person_named(data["person"])
    if named is None:
        raise Invalid("There is no such account in use.", fields={"person": ["A user name is expected."]})
    file = data["evidence_file"]
    stored = store_file(file, name=file.name, media_type=file.content_type, by=user) if file else None
    return once(key_of(request), services.grant_authorization)(
        actor=user,
        **data
        | {"person": named, "subject": selectors.get_subject_for(user, data["subject"]), "evidence_file": stored},
    )


@require_POST
@page("authorization.withdraw")
def authorization_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """Withdraw one at once."""
    user = person(request)
    found = authorizations_.get_authorization_for(user, pk)
    act = once(key_of(request), services.withdraw_authorization)
    act(found, actor=user, reason=request.POST.get("reason", ""))
    return redirect(reverse("authorizations"))


urlpatterns = [
    path("rigs/<str:code>/checks/", rig_checks, name="rig-checks"),
    path("rigs/<str:code>/checks/<slug:kind>/", rig_check, name="rig-check"),
    path("authorizations/", authorizations, name="authorizations"),
    path("authorizations/<int:pk>/withdraw/", authorization_withdraw, name="authorization-withdraw"),
]
