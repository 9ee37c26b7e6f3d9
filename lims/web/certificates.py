"""Certificates of analysis: what is missing, a draft, the issue, a further issue, the withdrawal."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_GET

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.core.errors import NotFound
from lims.core.papers import Paper, check_address, draw_paper, page_of_paper
from lims.files.selectors import open_file
from lims.quality import certificates as selectors
from lims.quality import services
from lims.quality.papers import DRAFT, paper_of_certificate, standing_of_certificate
from lims.signatures.freezing import content_of, listed
from lims.web.acts import Failed, RecordAct, RecordPage, checks, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.papers import CertificateForm, WithdrawForm
from lims.web.reports import root_of

READ = "certificate.read"
KINDS: dict[str, tuple[str, Callable[[Paper], bytes]]] = {
    "pdf": ("application/pdf", draw_paper),
    "html": ("text/html; charset=utf-8", page_of_paper),
}


@page(READ)
def certificates(request: HttpRequest) -> HttpResponse:
    """The certificates, newest first."""
    found = paged(request, selectors.certificates_for(person(request)))
    return render(request, "certificates/certificates.html", {"page": found, "rows": listed(list(found))})


@page(READ)
def certificate(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One certificate exactly as it was issued, and who signed."""
    user = person(request)
    found = selectors.get_certificate_for(user, code)
    standing = standing_of_certificate(found, address=_address(request, found.code))
    actions = CERTIFICATE.buttons(user, found, failed=failed)
    if user.may("certificate.issue") and standing.state == "issued":
        actions.insert(0, {"label": "Issue anew", "url": reverse("certificate-amend", args=[found.code])})
    context = {
        "certificate": found,
        "standing": standing,
        "paper": paper_of_certificate(content_of(found), standing),
        "files": [
            {"label": kind.upper(), "url": reverse("certificate-file", args=[found.code, kind])} for kind in KINDS
        ],
        "actions": actions,
        "came_from": [found.subject_code],
        "went_into": [],
        "entries": readable(history_of("certificate", found.code)[:50], user),
    }
    return render(request, "certificates/certificate.html", context, status=failed.status if failed else 200)


def _address(request: HttpRequest, code: str) -> str:
    return check_address(root_of(request)).format(code=code)


@require_GET
@page(READ)
def certificate_file(request: HttpRequest, code: str, kind: str) -> HttpResponse:
    """A certificate as a file: the PDF as it was signed, or marked where it was withdrawn or replaced since."""
    found = selectors.get_certificate_for(person(request), code)
    standing = standing_of_certificate(found, address=_address(request, found.code))
    if kind == "pdf" and not standing.mark and not standing.broken:
        with open_file(found.paper) as stored:
            return _sent(stored.read(), kind, found.code)
    return _sent(_drawn(paper_of_certificate(content_of(found), standing), kind), kind, found.code)


@require_GET
@page(READ)
def certificate_draft(request: HttpRequest, subject_kind: str, code: str, kind: str) -> HttpResponse:
    """What a certificate of this lot or batch would say now, marked as a draft."""
    subject = selectors.subject_for(person(request), subject_kind, code)
    paper = paper_of_certificate(selectors.content_of_certificate(subject), DRAFT)
    return _sent(_drawn(paper, kind), kind, f"draft-{code}")


def _drawn(paper: Paper, kind: str) -> bytes:
    if kind not in KINDS:
        raise NotFound(f"There is no file of the kind {kind}; there are {', '.join(KINDS)}.")
    return KINDS[kind][1](paper)


def _sent(content: bytes, kind: str, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type=KINDS[kind][0])
    how = "inline" if kind == "pdf" else "attachment"
    answer["Content-Disposition"] = f'{how}; filename="{name.replace("/", "-")}.{kind}"'
    return answer


@page("certificate.issue")
def certificate_new(request: HttpRequest, subject_kind: str, code: str) -> HttpResponse:
    """Issue a certificate of a lot or a batch; everything that is missing is listed before anything is typed."""
    user = person(request)
    subject = selectors.subject_for(user, subject_kind, code)
    form = CertificateForm(request.POST or None)
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: once(key_of(request), services.issue_certificate)(
            subject,
            actor=user,
            password=form.cleaned_data["password"],
            asked=_asked(form),
            address=check_address(root_of(request)),
        ),
        to=_page_of,
    )
    return done or _form_page(request, form, subject, subject_kind)


@page("certificate.issue")
def certificate_amend(request: HttpRequest, code: str) -> HttpResponse:
    """Issue a certificate anew: it names what changed and takes the place of the issue before."""
    user = person(request)
    found = selectors.get_certificate_for(user, code)
    content = content_of(found)
    first = {name: content[name] for name in ("customer", "customer_contact", "sampling", "remarks")}
    form = CertificateForm(request.POST or None, initial=first)
    done = request.method == "POST" and submitted(
        request,
        form,
        lambda: once(key_of(request), services.amend_certificate)(
            found,
            actor=user,
            password=form.cleaned_data["password"],
            asked=_asked(form),
            reason=form.cleaned_data["reason"],
            address=check_address(root_of(request)),
        ),
        to=_page_of,
    )
    subject = selectors.subject_for(user, found.subject_kind, found.subject_code)
    return done or _form_page(request, form, subject, found.subject_kind, before=found)


def _asked(form: CertificateForm) -> selectors.Asked:
    names = ("customer", "customer_contact", "sampling", "remarks")
    return selectors.Asked(**{name: form.cleaned_data[name] for name in names})


def _page_of(subject: Any) -> str:
    return reverse("certificate", args=[subject.code])


def _form_page(
    request: HttpRequest, form: CertificateForm, subject: Any, kind: str, *, before: Any = None
) -> HttpResponse:
    context = {
        "form": form,
        "subject": subject,
        "subject_url": reverse(kind, args=[subject.code]),
        "before": before,
        "missing": checks(selectors.blocking(subject)),
        "draft_url": reverse("certificate-draft", args=[kind, subject.code, "pdf"]),
    }
    return render(request, "certificates/new.html", context, status=status_of(form))


def certificates_context(user: Any, kind: str, record: Any) -> dict[str, Any]:
    """What `certificates/_about.html` shows on the page of a lot or a batch."""
    return {
        "certificates": listed(selectors.certificates_about(user, kind, record.code)),
        "may_read_certificates": user.may(READ),
        "certificate_new_url": (
            reverse("certificate-new", args=[kind, record.code]) if user.may("certificate.issue") else ""
        ),
        "certificate_draft_url": reverse("certificate-draft", args=[kind, record.code, "pdf"]),
    }


CERTIFICATE = RecordPage(
    "certificate",
    "certificates",
    selectors.get_certificate_for,
    certificate,
    (
        RecordAct(
            "withdraw",
            "Withdraw",
            "certificate.withdraw",
            services.withdraw_certificate,
            WithdrawForm,
            states("issued", "superseded"),
            hint="A further signature. The certificate stays readable and is marked on every page.",
        ),
    ),
)

urlpatterns = [
    path("certificates/", certificates, name="certificates"),
    path("certificates/new/<str:subject_kind>/<str:code>/", certificate_new, name="certificate-new"),
    path("certificates/draft/<str:subject_kind>/<str:code>.<str:kind>", certificate_draft, name="certificate-draft"),
    *CERTIFICATE.paths(),
    path("certificates/<path:code>/amend/", certificate_amend, name="certificate-amend"),
    path("certificates/<path:code>/file/<str:kind>", certificate_file, name="certificate-file"),
    path("certificates/<path:code>/", certificate, name="certificate"),
]
