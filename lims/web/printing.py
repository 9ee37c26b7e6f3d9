"""Print several labels at once, on sheets or on a label printer; keep formats of labels."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from lims.accounts.acts import once
from lims.core.codes import parse_code
from lims.core.errors import Invalid, Refusal
from lims.core.labels import Label, draw_many
from lims.samples import selectors, services
from lims.web.doors import key_of, page, person, put_refusal, status_of, submitted
from lims.web.forms.printing import FormatForm, PrintForm
from lims.web.labels import MAKERS

READ = "laboratory.read"


@page(READ)
def labels(request: HttpRequest) -> HttpResponse:
    """Choose records, a format and where on the sheet to begin."""
    user = person(request)
    formats = selectors.label_formats_for(user)
    form = PrintForm(request.POST or None, initial={"codes": request.GET.get("codes", "")}, formats=formats)
    if form.is_valid():
        try:
            return _printed(request, form)
        except Refusal as refusal:
            put_refusal(form, refusal)
    context = {"form": form, "formats": formats, "may_set": user.may("label.set_format")}
    return render(request, "labels/labels.html", context, status=status_of(form))


def _printed(request: HttpRequest, form: PrintForm) -> HttpResponse:
    data = form.cleaned_data
    made = labels_of(request, data["codes"])
    layout = selectors.layout_called(person(request), data["format"])
    drawn = draw_many([label for label in made for _ in range(data["copies"])], layout=layout, start=data["start"])
    response = HttpResponse(drawn, content_type="application/pdf")
    response["Content-Disposition"] = 'inline; filename="labels.pdf"'
    return response


def labels_of(request: HttpRequest, codes: list[str]) -> list[Label]:
    """The labels of some records by their codes, of whatever kinds."""
    return [_label_of(request, code) for code in codes]


def _label_of(request: HttpRequest, code: str) -> Label:
    kind, plain = parse_code(code)
    if kind.name not in MAKERS:
        words = f"{plain} is {kind.article} {kind.name}; labels are printed for: {', '.join(sorted(MAKERS))}."
        raise Invalid(words, code="no-label", fields={"codes": [words]})
    return MAKERS[kind.name](request, plain)


@page("label.set_format")
def format_new(request: HttpRequest) -> HttpResponse:
    """Keep a format of labels."""
    form = FormatForm(request.POST or None)
    done = submitted(request, form, lambda: _set(request, form), to=lambda _row: reverse("labels"))
    return done or render(request, "labels/format_new.html", {"form": form}, status=status_of(form))


def _set(request: HttpRequest, form: FormatForm) -> Any:
    return once(key_of(request), services.set_label_format)(actor=person(request), **form.values())


@require_POST
@page("label.set_format")
def format_retire(request: HttpRequest, name: str) -> HttpResponse:
    """Offer a format no more."""
    row = selectors.get_label_format_for(person(request), name)
    once(key_of(request), services.retire_label_format)(row, actor=person(request))
    return redirect("labels")


urlpatterns = [
    path("labels/", labels, name="labels"),
    path("labels/formats/new/", format_new, name="label-format-new"),
    path("labels/formats/<path:name>/retire/", format_retire, name="label-format-retire"),
]
