"""Trace a record forward and back; the recall list of a bad one."""

from __future__ import annotations

from typing import Any, cast

from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.comparisons import recalls
from lims.comparisons.drawing import HEIGHT, WIDTH, Box, draw, listed
from lims.comparisons.tracing import KINDS, Node, edges_between, start_of, trace
from lims.web.doors import key_of, page, person, status_of, submitted
from lims.web.forms.tracing import ToldForm
from lims.web.navigation import address

READ = "laboratory.read"


@page(READ)
def trace_page(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    """What a record came from and went into: drawn, and as a table."""
    user = person(request)
    start = start_of(user, kind, code)
    back, forward = trace(user, start, "back"), trace(user, start, "forward")
    shown = listed(start, back, forward)
    picture = draw(start, back, forward, edges_between(user, shown))
    context = {
        "start": start,
        "record_url": _address_of(start) if start.kind in WITH_PAGES else "",
        "picture": picture,
        "boxes": [_shown(box) for box in picture.boxes],
        "box_width": WIDTH,
        "box_height": HEIGHT,
        "parts": [
            {"title": "Came from", "trace": back, "groups": _groups(back)},
            {"title": "Went into", "trace": forward, "groups": _groups(forward)},
        ],
        "may_recall": start.kind in RECALLED,
        "told": recalls.told_of(user, start.kind, start.code)[:50],
        "may_tell": user.may("recall.tell"),
    }
    return render(request, "trace/trace.html", context)


RECALLED = ("lot", "batch", "sample", "run")
WITH_PAGES = ("lot", "batch", "sample", "application", "run", "comparison", "report", "certificate")


def _shown(box: Box) -> dict[str, Any]:
    if box.node is None:
        return {"box": box, "url": "", "state": ""}
    return {"box": box, "url": _address_of(box.node), "state": box.node.state.replace("_", " ")}


def _groups(found: Any) -> list[dict[str, Any]]:
    return [
        {
            "name": kind.name,
            "many": kind.many,
            "count": found.counts[kind.name],
            "rows": [{"node": node, "url": _address_of(node)} for node in found.of(kind.name)],
        }
        for kind in KINDS
        if kind.name in found.counts
    ]


def _address_of(node: Node) -> str:
    """The page of a record, or its own trace where it has no page."""
    found = address(node.kind, node.code) if node.kind in WITH_PAGES else ""
    return found or reverse("trace", args=[node.kind, _plain(node)])


def _plain(node: Node) -> str:
    return str(node.id) if node.kind == "signature" else node.code


@page(READ)
def recall_file(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    """The recall list as CSV."""
    user = person(request)
    start = start_of(user, kind, code)
    answer = StreamingHttpResponse(recalls.recall_lines(user, start), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="recall-{start.code.replace("/", "-")}.csv"'
    return cast(HttpResponse, answer)


@page("recall.tell")
def tell(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    """Keep who was told."""
    user = person(request)
    start = start_of(user, kind, code)
    form = ToldForm(request.POST or None)
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), recalls.note_told)(start, actor=user, **form.cleaned_data),
        to=lambda _row: reverse("trace", args=[kind, code]) + "#told",
    )
    context = {"form": form, "start": start, "trace_url": reverse("trace", args=[kind, code])}
    return done or render(request, "trace/tell.html", context, status=status_of(form))


urlpatterns = [
    path("trace/<str:kind>/<path:code>/recall.csv", recall_file, name="trace-recall"),
    path("trace/<str:kind>/<path:code>/tell/", tell, name="trace-tell"),
    path("trace/<str:kind>/<path:code>/", trace_page, name="trace"),
]
