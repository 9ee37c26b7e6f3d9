"""Papers over the interface: reports of comparisons, certificates of analysis; issue, read, take files, withdraw."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, DecideSerializer, RecordRoutes, RouteAct, SignedSerializer, answers
from lims.api.base import View, valid
from lims.comparisons import reports
from lims.comparisons import services as comparing
from lims.comparisons.exporters import EXPORTERS
from lims.comparisons.selectors import get_comparison_for
from lims.core.errors import NotFound
from lims.core.papers import check_address
from lims.files.selectors import open_file
from lims.quality import certificates
from lims.quality import services as quality
from lims.signatures.freezing import content_of, signatures_on, verify

READ = "laboratory.read"
FILE = {(200, "application/octet-stream"): OpenApiResponse(OpenApiTypes.BINARY, "The file.")} | {
    key: problem for key, problem in answers(None).items() if key != 200
}
KIND = OpenApiParameter("kind", str, OpenApiParameter.PATH, enum=list(EXPORTERS))


def _actor(request: Request) -> Any:
    return request.user


def _pattern(request: Request) -> str:
    return check_address(request.build_absolute_uri("/"))


class SignatureSerializer(serializers.Serializer[Any]):
    """One signature."""

    name = serializers.CharField(source="printed_name")
    meaning = serializers.CharField()
    at = serializers.DateTimeField()
    zone = serializers.CharField()
    digest = serializers.CharField()


class PaperSerializer(serializers.Serializer[Any]):
    """What every issued paper carries."""

    code = serializers.CharField()
    number = serializers.CharField()
    issue = serializers.IntegerField()
    title = serializers.CharField()
    state = serializers.CharField(help_text="issued, superseded or withdrawn")
    issued_at = serializers.DateTimeField(source="at")
    author = serializers.CharField(source="author.username")
    digest = serializers.CharField(help_text="SHA-256 of the canonical content")
    file_digest = serializers.CharField(source="paper.sha256", help_text="SHA-256 of the PDF as issued")
    changes = serializers.ListField(child=serializers.CharField(), help_text="since the issue before")
    reason = serializers.CharField()
    supersedes = serializers.CharField(source="supersedes.code", default=None, allow_null=True)
    broken = serializers.SerializerMethodField(help_text="what differs from what was signed; empty where nothing")
    signatures = serializers.SerializerMethodField()

    def get_broken(self, paper: Any) -> list[str]:
        return verify(paper)

    @extend_schema(responses=SignatureSerializer(many=True))
    def get_signatures(self, paper: Any) -> list[dict[str, Any]]:
        return list(SignatureSerializer(signatures_on(paper), many=True).data)


class ReportSerializer(PaperSerializer):
    """One report of a comparison."""

    comparison = serializers.CharField(source="comparison.code")
    notice = serializers.SerializerMethodField(help_text="what later data would change; the report itself never does")

    def get_notice(self, report: Any) -> list[str]:
        return reports.notice_of(report) if report.state == "issued" else []


class CertificateSerializer(PaperSerializer):
    """One certificate of analysis."""

    subject_kind = serializers.CharField()
    subject = serializers.CharField(source="subject_code")
    customer = serializers.CharField()
    customer_contact = serializers.CharField()


class AskedSerializer(serializers.Serializer[Any]):
    """For whom a certificate is issued, what its paper says besides the results, and the password anew."""

    customer = serializers.CharField(max_length=200)
    customer_contact = serializers.CharField(max_length=400)
    sampling = serializers.CharField()
    remarks = serializers.CharField(required=False, allow_blank=True, default="")
    password = serializers.CharField(write_only=True)


class AmendSerializer(AskedSerializer):
    """The same for a further issue, and why there is one."""

    reason = serializers.CharField()


class ContentSerializer(serializers.Serializer[Any]):
    """Exactly what a paper shows."""

    content = serializers.DictField()
    digest = serializers.CharField()


class Reports(View):
    """Reports, newest first."""

    rights = {"GET": READ}

    @extend_schema(operation_id="reports", responses=answers(ReportSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(reports.reports_for(_actor(request)), ReportSerializer)


class ComparisonReports(View):
    """Reports of one comparison."""

    rights = {"POST": "comparison.issue"}

    @extend_schema(
        operation_id="comparison_issue",
        request=DecideSerializer,
        parameters=[KEY],
        responses=answers(ReportSerializer, 201),
    )
    def post(self, request: Request, code: str) -> Response:
        """Issue what the comparison shows now, frozen and signed; a further issue names what changed, and why."""
        found = get_comparison_for(_actor(request), code)
        content = valid(DecideSerializer(data=request.data))
        issue = once(self.key, comparing.issue_report)
        made = issue(found, actor=_actor(request), address=_pattern(request), **content)
        return Response(ReportSerializer(made).data, status=201)


class Report(View):
    """One report."""

    rights = {"GET": READ}

    @extend_schema(operation_id="report", responses=answers(ReportSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(ReportSerializer(reports.get_report_for(_actor(request), code)).data)


class ReportContent(View):
    """What a report shows."""

    rights = {"GET": READ}

    @extend_schema(operation_id="report_content", responses=answers(ContentSerializer))
    def get(self, request: Request, code: str) -> Response:
        """Exactly what was frozen, and its digest."""
        found = reports.get_report_for(_actor(request), code)
        return Response({"content": content_of(found), "digest": found.digest})


class ReportFile(View):
    """A report as a file."""

    rights = {"GET": "export.selection"}

    @extend_schema(operation_id="report_file", parameters=[KIND], responses=FILE)
    def get(self, request: Request, code: str, kind: str) -> HttpResponse:
        """The PDF as it was signed, or marked where it was withdrawn or replaced; workbook, page, data package."""
        found = reports.get_report_for(_actor(request), code)
        if kind not in EXPORTERS:
            raise NotFound(f"There is no file of the kind {kind}; there are {', '.join(EXPORTERS)}.")
        standing = reports.standing_of(found, address=_pattern(request).format(code=found.code))
        if kind == "pdf" and not standing.mark and not standing.broken:
            return _stored(found)
        exporter = EXPORTERS[kind]
        return HttpResponse(exporter.write(content_of(found), standing), content_type=exporter.media_type)


def _stored(paper: Any) -> HttpResponse:
    with open_file(paper.paper) as stored:
        answer = HttpResponse(stored.read(), content_type="application/pdf")
    answer["Repr-Digest"] = paper.paper.repr_digest
    return answer


class Certificates(View):
    """Certificates, newest first; they name customers."""

    rights = {"GET": "certificate.read"}

    @extend_schema(operation_id="certificates", responses=answers(CertificateSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(certificates.certificates_for(_actor(request)), CertificateSerializer)


class SubjectCertificates(View):
    """Certificates of a lot or a batch."""

    rights = {"POST": "certificate.issue"}
    subject_kind = "lot"

    @extend_schema(request=AskedSerializer, parameters=[KEY], responses=answers(CertificateSerializer, 201))
    def post(self, request: Request, code: str) -> Response:
        """Issue a certificate; refused (409, `missing` lists why) while it is unreleased, on hold, or incomplete."""
        subject = certificates.subject_for(_actor(request), self.subject_kind, code)
        content = valid(AskedSerializer(data=request.data))
        password = content.pop("password")
        issue = once(self.key, quality.issue_certificate)
        asked = certificates.Asked(**content)
        made = issue(subject, actor=_actor(request), password=password, asked=asked, address=_pattern(request))
        return Response(CertificateSerializer(made).data, status=201)


class LotCertificates(SubjectCertificates):
    """Certificates of a lot."""


class BatchCertificates(SubjectCertificates):
    """Certificates of a batch."""

    subject_kind = "batch"


class Certificate(View):
    """One certificate."""

    rights = {"GET": "certificate.read"}

    @extend_schema(operation_id="certificate", responses=answers(CertificateSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(CertificateSerializer(certificates.get_certificate_for(_actor(request), code)).data)


class CertificateFile(View):
    """A certificate as it was issued."""

    rights = {"GET": "certificate.read"}

    @extend_schema(operation_id="certificate_file", responses=FILE)
    def get(self, request: Request, code: str) -> HttpResponse:
        """The PDF as it was signed, byte for byte; its state stands in the record."""
        return _stored(certificates.get_certificate_for(_actor(request), code))


def _amended(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    given = dict(content)
    apart = {"password": given.pop("password"), "reason": given.pop("reason")}
    return apart | {"asked": certificates.Asked(**given)}


REPORT = RecordRoutes(
    "report",
    "reports",
    reports.get_report_for,
    ReportSerializer,
    (RouteAct("withdraw", "report.withdraw", comparing.withdraw_report, SignedSerializer),),
)
CERTIFICATE = RecordRoutes(
    "certificate",
    "certificates",
    certificates.get_certificate_for,
    CertificateSerializer,
    (
        RouteAct("withdraw", "certificate.withdraw", quality.withdraw_certificate, SignedSerializer),
        RouteAct("amend", "certificate.issue", quality.amend_certificate, AmendSerializer, _amended),
    ),
)

urlpatterns = [
    path("reports/", Reports.as_view(), name="api-reports"),
    *REPORT.paths(),
    path("reports/<path:code>/content/", ReportContent.as_view(), name="api-report-content"),
    path("reports/<path:code>/files/<str:kind>/", ReportFile.as_view(), name="api-report-file"),
    path("reports/<path:code>/", Report.as_view(), name="api-report"),
    path("comparisons/<str:code>/reports/", ComparisonReports.as_view(), name="api-comparison-reports"),
    path("certificates/", Certificates.as_view(), name="api-certificates"),
    *CERTIFICATE.paths(),
    path("certificates/<path:code>/file/", CertificateFile.as_view(), name="api-certificate-file"),
    path("certificates/<path:code>/", Certificate.as_view(), name="api-certificate"),
    path("lots/<str:code>/certificates/", LotCertificates.as_view(), name="api-lot-certificates"),
    path("batches/<str:code>/certificates/", BatchCertificates.as_view(), name="api-batch-certificates"),
]
