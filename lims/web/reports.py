"""Reports of comparisons: read one as it was frozen, take its papers, withdraw it; check a paper by its code."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_GET

from lims.audit.selectors import history_of, readable
from lims.comparisons import reports as selectors
from lims.comparisons import services
from lims.comparisons.exporters import EXPORTERS
from lims.comparisons.papers import paper_of
from lims.core.errors import NotFound
from lims.core.papers import Drawing, check_address
from lims.files.selectors import open_file
from lims.signatures.freezing import listed
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import page, paged, person
from lims.web.forms.papers import WithdrawForm

READ = "laboratory.read"


@page(READ)
def reports(request: HttpRequest) -> HttpResponse:
    """The reports, newest first."""
    found = paged(request, selectors.reports_for(person(request)))
    return render(request, "reports/reports.html", {"page": found, "rows": listed(list(found))})


@page(READ)
def report(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One report exactly as it was issued, what later data would change, and who signed."""
    user = person(request)
    found = selectors.get_report_for(user, code)
    standing = selectors.standing_of(found, address=check_address(root_of(request)).format(code=found.code))
    context = {
        "report": found,
        "standing": standing,
        "paper": paper_of(selectors.content_of_report(found), standing),
        "drawing_url": reverse("report-drawing", args=[found.code]),
        "notice": selectors.notice_of(found) if standing.state == "issued" else [],
        "files": files_of("report-file", found.code),
        "actions": REPORT.buttons(user, found, failed=failed),
        "came_from": [found.comparison.code],
        "went_into": [],
        "entries": readable(history_of("report", found.code)[:50], user),
    }
    return render(request, "reports/report.html", context, status=failed.status if failed else 200)


def root_of(request: HttpRequest) -> str:
    """The address the site was reached under just now."""
    return request.build_absolute_uri("/")


def files_of(name: str, code: str) -> list[dict[str, str]]:
    """The files that are made of a report or a draft, with their addresses."""
    return [{"label": one.label, "url": reverse(name, args=[code, key])} for key, one in EXPORTERS.items()]


@require_GET
@page("export.selection")
def report_file(request: HttpRequest, code: str, kind: str) -> HttpResponse:
    """A report as a file: the PDF as it was signed, or marked where it was withdrawn or replaced since."""
    found = selectors.get_report_for(person(request), code)
    standing = selectors.standing_of(found, address=check_address(root_of(request)).format(code=found.code))
    if kind == "pdf" and not standing.mark and not standing.broken:
        with open_file(found.paper) as stored:
            return sent(stored.read(), kind, found.code)
    return sent(exporter_of(kind).write(selectors.content_of_report(found), standing), kind, found.code)


def exporter_of(kind: str) -> Any:
    """What makes a kind of file."""
    if kind not in EXPORTERS:
        raise NotFound(f"There is no file of the kind {kind}; there are {', '.join(EXPORTERS)}.")
    return EXPORTERS[kind]


def sent(content: bytes, kind: str, name: str) -> HttpResponse:
    """A file to keep; only the PDF is shown by the browser itself."""
    exporter = EXPORTERS[kind]
    answer = HttpResponse(content, content_type=exporter.media_type)
    how = "inline" if kind == "pdf" else "attachment"
    answer["Content-Disposition"] = f'{how}; filename="{name.replace("/", "-")}.{exporter.suffix}"'
    return answer


@require_GET
@page(READ)
def report_drawing(request: HttpRequest, code: str) -> HttpResponse:
    """The figure as it was frozen."""
    found = selectors.get_report_for(person(request), code)
    standing = selectors.standing_of(found)
    parts = [
        part for section in paper_of(selectors.content_of_report(found), standing).sections for part in section.parts
    ]
    drawing = next((part for part in parts if isinstance(part, Drawing)), None)
    if drawing is None:
        raise NotFound(f"{found.code} has no figure: nothing could be ranked.")
    return HttpResponse(drawing.svg, content_type="image/svg+xml")


def check(request: HttpRequest, code: str) -> HttpResponse:
    """Identity, issue, state and digest of a paper, for anybody who holds it; nothing of what it says."""
    found = selectors.paper_by_code(code)
    if found is None:
        return render(request, "papers/check.html", {"code": code}, status=404)
    return render(request, "papers/check.html", {"code": found["code"], "found": found})


REPORT = RecordPage(
    "report",
    "reports",
    selectors.get_report_for,
    report,
    (
        RecordAct(
            "withdraw",
            "Withdraw",
            "report.withdraw",
            services.withdraw_report,
            WithdrawForm,
            states("issued", "superseded"),
            hint="A further signature. The report stays readable and is marked on every page.",
        ),
    ),
)

urlpatterns = [
    path("check/<path:code>/", check, name="check"),
    path("reports/", reports, name="reports"),
    *REPORT.paths(),
    path("reports/<path:code>/ranking.svg", report_drawing, name="report-drawing"),
    path("reports/<path:code>/file/<str:kind>", report_file, name="report-file"),
    path("reports/<path:code>/", report, name="report"),
]
