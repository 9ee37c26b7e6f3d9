"""What every page stands on: a right, a readable refusal, pages of a list, forms that lose nothing."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.core.paginator import Page, Paginator
from django.db import models
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from lims.accounts.acts import require
from lims.accounts.roles import RIGHTS
from lims.core.context import giving_code
from lims.core.errors import NotFound, Refusal

if TYPE_CHECKING:
    from lims.accounts.models import User

PER_PAGE = 50
ViewFunction = Callable[..., HttpResponse]


def page(right: str) -> Callable[[ViewFunction], ViewFunction]:
    """Show a page only to those who are signed in and hold `right` (an act of `lims.accounts.roles`; "": everybody)."""
    if right and right not in RIGHTS:
        raise KeyError(f"right '{right}' stands in no row of lims.accounts.roles")

    def decorate(view: ViewFunction) -> ViewFunction:
        @functools.wraps(view)
        def show(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if right:
                require(person(request), right)
            with giving_code(request.POST.get("one_time_code", "")):
                return view(request, *args, **kwargs)

        shown = login_required(show)
        shown.right = right  # type: ignore[attr-defined]
        return cast(ViewFunction, shown)

    return decorate


def person(request: HttpRequest) -> User:
    """The signed-in person."""
    return cast("User", request.user)


def refusals(get_response: Callable[[HttpRequest], HttpResponse]) -> Any:
    """Middleware: show a refusal that a view let through as a page with its own status, code and next step."""

    def handle(request: HttpRequest) -> HttpResponse:
        return get_response(request)

    def process_exception(request: HttpRequest, error: Exception) -> HttpResponse | None:
        if isinstance(error, Http404):
            error = NotFound("There is no such record.")
        return refusal_page(request, error) if isinstance(error, Refusal) else None

    handle.process_exception = process_exception  # type: ignore[attr-defined]
    return handle


def refusal_page(request: HttpRequest, refusal: Refusal) -> HttpResponse:
    """A refusal as a page, or as a fragment where only a part was asked for."""
    template = "parts/_refusal.html" if getattr(request, "htmx", False) else "refusal.html"
    return render(request, template, {"refusal": refusal}, status=refusal.status)


def paged(request: HttpRequest, queryset: models.QuerySet[Any]) -> Page[Any]:
    """The page of a list that the address asks for."""
    return Paginator(queryset, PER_PAGE).get_page(request.GET.get("page"))


def key_of(request: HttpRequest) -> str | None:
    """The key that makes a form safe to send twice: the hidden field `idempotency_key`, or the header."""
    return str(request.POST.get("idempotency_key") or request.headers.get("Idempotency-Key") or "")[:120] or None


def submitted(
    request: HttpRequest, form: forms.BaseForm, act: Callable[[], models.Model], *, to: Callable[[Any], str]
) -> HttpResponse | None:
    """Do `act` with a valid form and go to the subject's page; None when the form has to be shown again, filled.

    A refusal is put where it belongs: at its fields, or at the head of the form. Show the form with `status_of(form)`.
    """
    if not form.is_valid():
        return None
    try:
        subject = act()
    except Refusal as refusal:
        put_refusal(form, refusal)
        return None
    except ValidationError as error:
        put_errors(form, error)
        return None
    return redirect(to(subject))


def status_of(form: forms.BaseForm) -> int:
    """The status a form is shown with: 200 when fresh, that of its refusal, or 422 when something in it is wrong."""
    if not form.is_bound or not form.errors:
        return 200
    refusal = getattr(form, "refusal", None)
    return refusal.status if refusal else 422


def put_refusal(form: forms.BaseForm, refusal: Refusal) -> None:
    form.refusal = refusal  # type: ignore[attr-defined]
    for name, messages in refusal.fields.items():
        for message in messages:
            form.add_error(name if name in form.fields else None, message)
    form.add_error(None, " ".join(filter(None, (refusal.message, refusal.next_step))))


def put_errors(form: forms.BaseForm, error: ValidationError) -> None:
    found = error.message_dict if hasattr(error, "error_dict") else {"": error.messages}
    for name, messages in found.items():
        for message in messages:
            form.add_error(name if name in form.fields else None, message)
