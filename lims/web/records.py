"""The history of everything, the chain that seals it, and stored files."""

from __future__ import annotations

import io
from typing import Any, cast

from django.contrib import messages
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from lims.audit import selectors, services
from lims.audit.exporting import write_export
from lims.core.errors import Invalid
from lims.files.selectors import get_file_for, open_file
from lims.web.doors import page, paged, person

FILTERS = {"person": "User name", "act": "Act", "code": "Code", "from": "From (date)", "to": "To (date)"}


@page("history.read")
def records(request: HttpRequest) -> HttpResponse:
    """Who changed what, when, from what to what, why; filtered by the address."""
    chosen = {name: request.GET.get(name, "").strip() for name in FILTERS}
    shown = paged(request, selectors.entries_for(person(request), **_filters(chosen)))
    shown.object_list = selectors.readable(shown.object_list, person(request))
    context = {
        "page": shown,
        "filters": [(name, label, chosen[name]) for name, label in FILTERS.items()],
        "filtered": any(chosen.values()),
        "may_seal": person(request).may("history.seal"),
        "may_export": person(request).may("history.export"),
        "may_review": person(request).may("history.review"),
        "last_review": services.last_review(),
        "newest": selectors.newest(),
    }
    return render(request, "records/records.html", context)


def _filters(chosen: dict[str, str]) -> dict[str, Any]:
    return {("since" if k == "from" else "until" if k == "to" else k): v for k, v in chosen.items() if v}


@page("history.seal")
def chain(request: HttpRequest) -> HttpResponse:
    """Walk the chain and say whether every link stands."""
    return render(request, "records/chain.html", {"check": services.verify(), "head": selectors.head()})


@require_POST
@page("history.seal")
def seal(request: HttpRequest) -> HttpResponse:
    """Seal every entry not yet in the chain."""
    messages.success(request, f"{services.seal()} entries sealed.")
    return redirect("chain")


@require_POST
@page("history.review")
def review(request: HttpRequest) -> HttpResponse:
    """Keep that the history was read up to an entry."""
    upto = request.POST.get("upto", "")
    if not upto.isdecimal():
        raise Invalid(f"'{upto}' is not the number of an entry.")
    services.review(actor=person(request), upto=int(upto))
    messages.success(request, "Your review is kept.")
    return redirect("records")


@require_POST
@page("history.export")
def export(request: HttpRequest) -> HttpResponse:
    """The whole history with its chain and a program that checks it, as one archive."""
    services.record(actor=person(request), act="history.export", subject=("history", "export"))
    target = io.BytesIO()
    write_export(target)
    answer = HttpResponse(target.getvalue(), content_type="application/zip")
    answer["Content-Disposition"] = 'attachment; filename="history.zip"'
    return answer


@page("laboratory.read")
def stored_file(request: HttpRequest, sha256: str) -> HttpResponse:
    """A stored file, byte for byte, always as a download."""
    row = get_file_for(person(request), sha256)
    response = FileResponse(
        open_file(row), as_attachment=True, filename=row.name, content_type="application/octet-stream"
    )
    response["Repr-Digest"] = row.repr_digest
    return cast(HttpResponse, response)


urlpatterns = [
    path("records/", records, name="records"),
    path("records/chain/", chain, name="chain"),
    path("records/chain/seal/", seal, name="chain-seal"),
    path("records/review/", review, name="history-review"),
    path("records/export/", export, name="history-export"),
    path("files/<str:sha256>/", stored_file, name="file"),
]
