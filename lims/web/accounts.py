"""Signing in and out, one's own account, people and their roles."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from lims.accounts import selectors, services
from lims.accounts.roles import Role
from lims.audit.selectors import history_of
from lims.core.errors import NotFound
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.accounts import GrantForm, PasswordForm, PersonForm, ReasonForm, TokenForm


class SignIn(LoginView):
    """Sign in with user name and password."""

    template_name = "accounts/sign_in.html"
    redirect_authenticated_user = True


@page("")
def account(request: HttpRequest, *, shown_token: str = "", token_form: TokenForm | None = None) -> HttpResponse:
    """One's own account: roles, password, tokens."""
    form = PasswordForm(request.POST if request.POST.get("act") == "password" else None)
    if form.is_bound:
        user = person(request)
        content = {"actor": user, **form.cleaned_data} if form.is_valid() else {}
        done = submitted(request, form, lambda: _change_password(**content), to=lambda _: reverse("account"))
        if done:
            update_session_auth_hash(request, user)
            messages.success(request, "The password is changed.")
            return done
    context = {
        "form": form,
        "token_form": token_form or TokenForm(),
        "tokens": selectors.tokens_of(person(request)),
        "shown_token": shown_token,
        "may_token": person(request).may("token.create"),
    }
    return render(request, "accounts/account.html", context, status=status_of(form))


def _change_password(*, actor: Any, old: str, password: str) -> Any:
    return services.change_password(actor=actor, old=old, new=password)


@require_POST
@page("token.create")
def token_new(request: HttpRequest) -> HttpResponse:
    """Make a token and show its text this once."""
    form = TokenForm(request.POST)
    if not form.is_valid():
        return account(request, token_form=form)
    issued = services.create_token(actor=person(request), days=form.cleaned_data["days"])
    return account(request, shown_token=issued.text)


@require_POST
@page("token.end")
def token_end(request: HttpRequest, digest: str) -> HttpResponse:
    """End one of one's own tokens."""
    token = selectors.tokens_of(person(request)).filter(digest=digest).first()
    if token is None:
        raise NotFound("There is no such token.")
    services.end_token(token, actor=person(request))
    messages.success(request, "The token is ended.")
    return redirect("account")


@page("role.grant")
def people(request: HttpRequest) -> HttpResponse:
    """Every account with its roles."""
    context = {"page": paged(request, selectors.people()), "may_create": person(request).may("account.create")}
    return render(request, "accounts/people.html", context)


@page("account.create")
def person_new(request: HttpRequest) -> HttpResponse:
    """Make an account."""
    form = PersonForm(request.POST or None)
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: services.create_account(  # type: ignore[call-arg]
            actor=person(request), key=key_of(request), **form.cleaned_data
        ),
        to=lambda made: reverse("account-of", args=[made.username]),
    )
    return done or render(request, "accounts/person_new.html", {"form": form}, status=status_of(form))


@page("role.grant")
def account_of(request: HttpRequest, username: str) -> HttpResponse:
    """One account: its roles with who granted them and why, and its history."""
    found = selectors.get_person_for(person(request), username)
    form = GrantForm(request.POST or None)
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: services.grant_role(found, actor=person(request), **(form.cleaned_data | {"role": _role(form)})),
        to=lambda _: reverse("account-of", args=[username]),
    )
    context = {
        "found": found,
        "form": form,
        "reason_form": ReasonForm(),
        "entries": history_of("account", username)[:50],
        "may_end": person(request).may("account.end"),
    }
    return done or render(request, "accounts/person.html", context, status=status_of(form))


def _role(form: GrantForm) -> Role:
    return Role(form.cleaned_data["role"])


@require_POST
@page("role.grant")
def role_end(request: HttpRequest, pk: int) -> HttpResponse:
    """End a role now."""
    grant = selectors.get_grant_for(person(request), pk)
    services.end_role(grant, actor=person(request), reason=request.POST.get("reason", ""))
    return redirect("account-of", grant.user.username)


@require_POST
@page("account.end")
def account_end(request: HttpRequest, username: str) -> HttpResponse:
    """End an account."""
    found = selectors.get_person_for(person(request), username)
    services.end_account(found, actor=person(request), reason=request.POST.get("reason", ""))
    return redirect("account-of", username)


@page("role.grant")
def rights(request: HttpRequest) -> HttpResponse:
    """Who may do what: the table of rights as the system applies it."""
    return render(request, "accounts/rights.html", {"matrix": selectors.matrix(), "roles": selectors.role_labels()})


urlpatterns = [
    path("sign-in/", SignIn.as_view(), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("account/", account, name="account"),
    path("account/tokens/", token_new, name="token-new"),
    path("account/tokens/<str:digest>/end/", token_end, name="token-end"),
    path("people/", people, name="people"),
    path("people/new/", person_new, name="person-new"),
    path("people/rights/", rights, name="rights"),
    path("people/grants/<int:pk>/end/", role_end, name="role-end"),
    path("people/<str:username>/", account_of, name="account-of"),
    path("people/<str:username>/end/", account_end, name="account-end"),
]
