"""The main navigation, in the order of the trade's chain of evidence, and what else stands on every page.

An entry whose address does not exist yet, or that the person has no right to, is left out: a page never breaks for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse

DEFAULT_NAME = "Thermal interface laboratory"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: the name of its address, its label, the right needed ("" for everybody signed in), its key after g."""

    url_name: str
    label: str
    right: str = "laboratory.read"
    key: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Entries that belong together; `chain` groups are drawn on one line, from lot to verdict."""

    label: str
    entries: tuple[Entry, ...]
    chain: bool = False


GROUPS: tuple[Group, ...] = (
    Group("", (Entry("today", "Today", "", key="t"), Entry("overview", "Overview"))),
    Group(
        "Make",
        (
            Entry("materials", "Materials", key="m"),
            Entry("lots", "Lots", key="l"),
            Entry("formulations", "Formulations", "recipe.read", key="f"),
            Entry("batches", "Batches", key="b"),
            Entry("samples", "Samples", key="s"),
        ),
        chain=True,
    ),
    Group(
        "Measure",
        (
            Entry("test-plans", "Plans", key="p"),
            Entry("applications", "Applications", key="a"),
            Entry("runs", "Runs", key="r"),
            Entry("studies", "Studies"),
            Entry("comparisons", "Comparisons", key="c"),
            Entry("map", "Gap and conductivity"),
            Entry("claims", "Claims"),
        ),
        chain=True,
    ),
    Group(
        "Keep",
        (
            Entry("rigs", "Rigs", key="i"),
            Entry("equipment-list", "Equipment"),
            Entry("methods", "Methods"),
            Entry("authorizations", "Authorizations"),
            Entry("specifications", "Specifications"),
            Entry("labels", "Labels"),
        ),
    ),
    Group(
        "Quality",
        (
            Entry("charts", "Control charts"),
            Entry("studies", "Studies"),
            Entry("nonconformances", "Nonconformances", key="n"),
            Entry("reports", "Reports"),
            Entry("certificates", "Certificates", "certificate.read"),
            Entry("records", "Records", "history.read"),
            Entry("validation", "Validation"),
            Entry("people", "People", "role.grant"),
        ),
    ),
    Group("", (Entry("help", "Help", "", key="h"),)),
)


def navigation(request: HttpRequest) -> dict[str, Any]:
    """Context processor: laboratory's name, navigation, search and sign-out addresses, the signed-in person."""
    user = getattr(request, "user", None)
    signed_in = bool(user and user.is_authenticated)
    return {
        "laboratory_name": getattr(settings, "LABORATORY_NAME", "") or DEFAULT_NAME,
        "navigation": _groups_for(user, request.path) if signed_in else [],
        "search_url": address("search") if signed_in else "",
        "person": _person(user) if signed_in else None,
        "home_url": address("today") or "/",
        "sign_in_url": address("sign-in"),
        "sign_out_url": address("sign-out"),
        "account_url": address("account"),
        "keys_url": "" if not signed_in or keeps_off(request, "keys") else address("keys"),
    }


def address(name: str, *args: object) -> str:
    """The address of a named page, or "" where there is none."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""


def keeps_off(request: HttpRequest, what: str) -> bool:
    """Whether the person switched something off in this browser: "keys" or "first-hour"."""
    return request.COOKIES.get(f"{what}-{request.user.pk}") == "off"


def may(user: Any, right: str) -> bool:
    """Whether `user` has `right`, an act of lims.accounts.roles; "" is everybody's."""
    return not right or bool(user.may(right))


def _groups_for(user: Any, path: str) -> list[dict[str, Any]]:
    groups = []
    for group in GROUPS:
        entries = [
            {"label": entry.label, "url": url, "key": entry.key, "here": _is_here(url, path)}
            for entry in group.entries
            if may(user, entry.right) and (url := address(entry.url_name))
        ]
        if entries:
            groups.append({"label": group.label, "chain": group.chain, "entries": entries})
    return groups


def _is_here(url: str, path: str) -> bool:
    return path == url or (url != "/" and path.startswith(url))


def _person(user: Any) -> dict[str, Any]:
    """Name and roles as the header shows them."""
    return {"name": user.printed_name, "roles": sorted(role.label for role in user.roles)}
