"""Help: what figures and flags mean, a first hour for each role, the keys; and what a person's browser keeps of it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from lims.accounts.roles import Role
from lims.audit.selectors import has_acted
from lims.runs.explaining import FIGURES, FLAGS
from lims.runs.selectors.reductions import label_of
from lims.web.doors import page, person
from lims.web.first_hour import FIRST_HOURS, Step
from lims.web.navigation import GROUPS, address, keeps_off, may

A_YEAR = 366 * 24 * 3600  # [s] that a browser keeps a wish
WISHES = {"keys": "account", "first-hour": "today"}  # what can be switched off, and the page that comes after


@page("")
def explained(request: HttpRequest) -> HttpResponse:
    """Every figure and every flag: what it is, how it comes about, what to do."""
    figures = sorted((label_of(key).capitalize(), key, one) for key, one in FIGURES.items())
    flags = sorted((code.replace("_", " ").capitalize(), code, one) for code, one in FLAGS.items())
    return render(request, "help/help.html", {"figures": figures, "flags": flags})


@page("")
def first_hour(request: HttpRequest) -> HttpResponse:
    """A first hour for each role, the reader's own roles first."""
    roles = person(request).roles
    order = sorted(FIRST_HOURS, key=lambda role: role not in roles)
    hours = [{"role": role, "mine": role in roles, "steps": steps_of(role)} for role in order]
    return render(request, "help/first_hour.html", {"hours": hours})


def steps_of(role: Role) -> list[dict[str, str]]:
    """The steps of a role's first hour, with addresses."""
    return [_step(step) for step in FIRST_HOURS[role]]


def _step(step: Step) -> dict[str, str]:
    return {"words": step.words, "url": address(step.url_name), "label": step.label}


def first_hour_for(request: HttpRequest) -> list[dict[str, Any]]:
    """The first hours of somebody who has done nothing yet and has not put them away; else nothing."""
    user = person(request)
    roles = [role for role in FIRST_HOURS if role in user.roles]
    if not roles or keeps_off(request, "first-hour") or has_acted(user):
        return []
    return [{"role": role, "steps": steps_of(role)} for role in roles]


@page("")
def keys(request: HttpRequest) -> HttpResponse:
    """The keys that lead somewhere."""
    user = person(request)
    entries = [entry for group in GROUPS for entry in group.entries if entry.key and may(user, entry.right)]
    return render(request, "help/keys.html", {"entries": entries, "keys_off": keeps_off(request, "keys")})


@require_POST
@page("")
def wish(request: HttpRequest, what: str) -> HttpResponse:
    """Switch the keys or the first hour off or on in this browser."""
    off = request.POST.get("off") == "yes"
    answer = redirect(WISHES[what])
    answer.set_cookie(
        f"{what}-{request.user.pk}", "off" if off else "on", max_age=A_YEAR, httponly=True, samesite="Lax"
    )
    if what == "keys":
        messages.success(request, f"Keys are switched {'off' if off else 'on'} in this browser.")
    return answer


urlpatterns = [
    path("help/", explained, name="help"),
    path("help/first-hour/", first_hour, name="first-hour"),
    path("help/keys/", keys, name="keys"),
    path("help/keys/switch/", wish, {"what": "keys"}, name="keys-switch"),
    path("help/first-hour/switch/", wish, {"what": "first-hour"}, name="first-hour-switch"),
]
