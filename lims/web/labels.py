"""The label of a record as a page and as a file to print, the same for every noun that carries one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.views.decorators.clickjacking import xframe_options_sameorigin

from lims.core.labels import Label, draw
from lims.web.doors import page, person


@dataclass(frozen=True, slots=True)
class Says:
    """What a label says beside the symbol and the code."""

    title: str
    lines: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ()
    storage: str = ""
    pictograms: tuple[str, ...] = ()


MAKERS: dict[str, Callable[[HttpRequest, str], Label]] = {}
"""How the label of each kind of record is made: for printing several at once, of several kinds."""


def label_paths(
    kind: str, prefix: str, *, get: Callable[[Any, str], Any], says: Callable[[Any], Says]
) -> list[URLPattern]:
    """The addresses of a noun's labels: `<kind>-label`, and `<kind>-label-file` as PDF or PNG."""

    def made(request: HttpRequest, code: str) -> Label:
        record = get(person(request), code)
        words = says(record)
        return Label(
            address=request.build_absolute_uri(reverse("code", args=[record.code])),
            code=record.code,
            title=words.title,
            lines=words.lines,
            hazards=words.hazards,
            storage=words.storage,
            pictograms=words.pictograms,
        )

    MAKERS[kind] = made

    def label(request: HttpRequest, code: str) -> HttpResponse:
        found = made(request, code)
        file = f"{kind}-label-file"
        context = {
            "label": found,
            "record_url": reverse(kind, args=[found.code]),
            "many_url": f"{reverse('labels')}?codes={found.code}",
            "png_url": reverse(file, args=[found.code, "png"]),
            "pdf_url": reverse(file, args=[found.code, "pdf"]),
        }
        return render(request, "labels/label.html", context)

    def label_file(request: HttpRequest, code: str, form: str) -> HttpResponse:
        drawn = draw(made(request, code), kind="png" if form == "png" else "pdf", size=request.GET.get("size", "sheet"))
        response = HttpResponse(drawn, content_type="image/png" if form == "png" else "application/pdf")
        response["Content-Disposition"] = f'inline; filename="{code}.{form}"'
        return response

    shown, file = page("laboratory.read")(label), page("laboratory.read")(label_file)
    return [
        path(f"{prefix}/<str:code>/label/", shown, name=f"{kind}-label"),
        path(f"{prefix}/<str:code>/label.<str:form>", xframe_options_sameorigin(file), name=f"{kind}-label-file"),
    ]
