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

from lims.accounts import second_factor as factors
from lims.accounts import selectors, services
from lims.accounts.roles import Role
from lims.accounts.secrets import lacks_second_factor
from lims.audit.selectors import history_of
from lims.core.errors import Invalid, NotFound, Refusal
from lims.web.doors import key_of, page, paged, person, put_refusal, status_of, submitted
from lims.web.forms.accounts import (
    CodeForm,
    GrantForm,
    PasswordForm,
    PersonForm,
    ReasonForm,
    SecretForm,
    SignInForm,
    TokenForm,
)
from lims.web.navigation import keeps_off


class SignIn(LoginView):
    """Sign in with user name, password and, where set up, a one-time code."""

    template_name = "accounts/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def form_valid(self, form: Any) -> Any:
        """Open the session, and keep where it was opened."""
        response = super().form_valid(form)
        session = self.request.session
        session.save()
        services.note_sign_in(
            form.get_user(),
            session_key=str(session.session_key),
            address=self.request.META.get("REMOTE_ADDR") or None,
            program=self.request.headers.get("User-Agent", ""),
        )
        return response


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
    user = person(request)
    context = {
        "form": form,
        "token_form": token_form or TokenForm(),
        "tokens": selectors.tokens_of(user),
        "shown_token": shown_token,
        "may_token": user.may("token.create"),
        "lacks_factor": lacks_second_factor(user),
        "may_factor": user.may("account.second_factor"),
        "secret_form": SecretForm(prefix=None, auto_id="id_end_%s"),
        "sessions": selectors.sessions_of(user),
        "this_session": request.session.session_key,
        "keys_off": keeps_off(request, "keys"),
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
    try:
        issued = services.create_token(actor=person(request), **form.cleaned_data)
    except Refusal as refusal:
        put_refusal(form, refusal)
        return account(request, token_form=form)
    return account(request, shown_token=issued.text)


@page("account.second_factor")
def second_factor(request: HttpRequest) -> HttpResponse:
    """Set up a second factor: show its secret, and take it once the device shows a right code."""
    device = factors.prepare(person(request))
    form = CodeForm(request.POST or None)
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: factors.set_second_factor(actor=person(request), code=form.cleaned_data["one_time_code"]),
        to=lambda _: reverse("account"),
    )
    if done:
        messages.success(request, "The second factor is set up; from now on a code is asked for.")
        return done
    context = {"form": form, "secret": factors.secret_text(device), "symbol": factors.symbol(device)}
    return render(request, "accounts/second_factor.html", context, status=status_of(form))


@require_POST
@page("account.second_factor")
def second_factor_end(request: HttpRequest) -> HttpResponse:
    """End one's own second factor."""
    if not request.POST.get("password"):
        raise Invalid("Give your password.", fields={"password": ["This is needed."]})
    factors.end_second_factor(actor=person(request), password=request.POST.get("password", ""))
    messages.success(request, "The second factor is ended.")
    return redirect("account")


@require_POST
@page("account.reset_second_factor")
def second_factor_reset(request: HttpRequest, username: str) -> HttpResponse:
    """End the second factor of somebody who lost the device."""
    found = selectors.get_person_for(person(request), username)
    factors.reset_second_factor(found, actor=person(request), reason=request.POST.get("reason", ""))
    messages.success(request, "The second factor is ended; a new one can be set up.")
    return redirect("account-of", username)


@require_POST
@page("account.end_session")
def session_end(request: HttpRequest, pk: int) -> HttpResponse:
    """End one of one's own sessions."""
    session = selectors.sessions_of(person(request)).filter(pk=pk).first()
    if session is None:
        raise NotFound("There is no such session.")
    services.end_session(session, actor=person(request))
    messages.success(request, "The session is ended.")
    return redirect("account")


@require_POST
@page("token.end")
def token_end(request: HttpRequest, digest: str) -> HttpResponse:
    """End one of one's own tokens, or one of a computer's account."""
    services.end_token(selectors.get_token_for(person(request), digest), actor=person(request))
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


@require_POST
@page("account.create")
def token_for(request: HttpRequest, username: str) -> HttpResponse:
    """Make a token for a computer's account and show its text this once."""
    found = selectors.get_person_for(person(request), username)
    form = TokenForm(request.POST)
    if form.is_valid():
        try:
            issued = services.create_token(actor=person(request), owner=found, **form.cleaned_data)
        except Refusal as refusal:
            put_refusal(form, refusal)
        else:
            return render(request, "accounts/token.html", {"found": found, "text": issued.text})
    return render(request, "accounts/token.html", {"found": found, "form": form}, status=status_of(form))


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
        "token_form": TokenForm() if found.is_service and person(request).may("account.create") else None,
        "tokens": selectors.tokens_of(found) if found.is_service else (),
        "may_reset": person(request).may("account.reset_second_factor") and found.has_second_factor,
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
    path("account/second-factor/", second_factor, name="second-factor"),
    path("account/second-factor/end/", second_factor_end, name="second-factor-end"),
    path("account/sessions/<int:pk>/end/", session_end, name="session-end"),
    path("people/", people, name="people"),
    path("people/new/", person_new, name="person-new"),
    path("people/rights/", rights, name="rights"),
    path("people/grants/<int:pk>/end/", role_end, name="role-end"),
    path("people/<str:username>/", account_of, name="account-of"),
    path("people/<str:username>/token/", token_for, name="token-for"),
    path("people/<str:username>/end/", account_end, name="account-end"),
    path("people/<str:username>/second-factor/end/", second_factor_reset, name="second-factor-reset"),
]
