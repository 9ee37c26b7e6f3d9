"""One search box, and the pages that a scanned code opens."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path

from lims.comparisons.search import SEARCHED, find
from lims.core.codes import parse_code
from lims.core.errors import Invalid, NotFound
from lims.web.doors import page, person
from lims.web.navigation import address


@page("laboratory.read")
def search(request: HttpRequest) -> HttpResponse:
    """Open a code's page at once; else list what matches the words."""
    text = request.GET.get("q", "").strip()
    try:
        return redirect(_page_of(text))
    except (Invalid, NotFound) as refusal:
        hint = refusal.message if isinstance(refusal, Invalid) and refusal.code == "check-character" else ""
    kind = request.GET.get("kind", "")
    found = find(person(request), text, kind=kind if kind in SEARCHED else "")
    context = {"text": text, "found": found, "hint": hint, "kinds": SEARCHED, "kind": kind}
    return render(request, "search/search.html", context)


@page("laboratory.read")
def code(request: HttpRequest, code: str) -> HttpResponse:
    """The address on every label: leads to the record's page."""
    return redirect(_page_of(code))


def _page_of(text: str) -> str:
    kind, plain = parse_code(text)
    url = address(kind.name.replace(" ", "-"), plain)
    if not url:
        raise NotFound(f"{plain} has no page.")
    return url


urlpatterns = [
    path("search/", search, name="search"),
    path("c/<path:code>", code, name="code"),
]
