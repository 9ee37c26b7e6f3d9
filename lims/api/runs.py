"""Runs and reductions: send files, ask how they go on, read figures, results and curves."""

from __future__ import annotations

import base64
import binascii
import re
from typing import Any

from django.http import FileResponse
from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.accounts.scopes import require_rig
from lims.accounts.selectors import get_person_named
from lims.api.acts import KEY, ReasonSerializer, SignedSerializer
from lims.api.base import View, valid
from lims.cases.services import Second
from lims.core.errors import Invalid, NotFound
from lims.files.selectors import open_file
from lims.rigs.selectors import get_rig_for
from lims.runs.selectors import reductions as reductions_
from lims.runs.selectors import runs as runs_
from lims.runs.selectors.applications import get_application_for
from lims.runs.selectors.traces import drawing_of
from lims.runs.services import runs as services
from lims.runs.services.invalidating import invalidate_run
from lims.runs.services.second_files import add_second_file

READ = "laboratory.read"
SHA_256 = re.compile(r"sha-256=:([A-Za-z0-9+/=]+):")
DIGEST = OpenApiParameter(
    "Content-Digest", str, OpenApiParameter.HEADER, description="SHA-256 of the file, as RFC 9530 writes it."
)


def _actor(request: Request) -> Any:
    return request.user


class FigureSerializer(serializers.Serializer[Any]):
    """One figure in its SI unit: value, standard uncertainty, degrees of freedom (null: infinite)."""

    value = serializers.FloatField()
    u = serializers.FloatField()
    dof = serializers.FloatField(allow_null=True)
    k = serializers.FloatField(required=False, help_text="coverage factor for 95 %")
    unit = serializers.CharField()


class FlagSerializer(serializers.Serializer[Any]):
    """One flag, and who set it aside."""

    code = serializers.CharField()
    severity = serializers.ChoiceField(choices=["blocks", "cautions"])
    message = serializers.CharField()
    figures = serializers.ListField(child=serializers.CharField())
    what_to_do = serializers.CharField()
    overridden_by = serializers.CharField()
    override_reason = serializers.CharField()


class ReductionSerializer(serializers.Serializer[Any]):
    """One computation of a run's figures."""

    code = serializers.CharField()
    run = serializers.CharField(source="run.code")
    state = serializers.CharField()
    attempt = serializers.IntegerField()
    requested_at = serializers.DateTimeField()
    requested_by = serializers.CharField(source="requested_by.username", default=None, allow_null=True)
    started_at = serializers.DateTimeField(allow_null=True)
    finished_at = serializers.DateTimeField(allow_null=True)
    reason = serializers.CharField()
    window_start = serializers.FloatField(allow_null=True)
    window_end = serializers.FloatField(allow_null=True)
    method = serializers.CharField()
    method_version = serializers.CharField()
    package_version = serializers.CharField()
    inputs = serializers.DictField(child=serializers.CharField())
    figures = serializers.DictField(child=FigureSerializer())
    flags = serializers.SerializerMethodField()
    error = serializers.DictField()

    @extend_schema_field(FlagSerializer(many=True))
    def get_flags(self, reduction: Any) -> list[dict[str, Any]]:
        return reductions_.flags_of(reduction)


class RunSerializer(serializers.Serializer[Any]):
    """One run: the file as it came, and what became of it."""

    code = serializers.CharField()
    kind = serializers.CharField()
    state = serializers.CharField()
    rig = serializers.CharField(source="rig.code")
    application = serializers.CharField(source="application.code", default=None, allow_null=True)
    sample = serializers.CharField(source="application.sample.code", default=None, allow_null=True)
    method = serializers.CharField(source="application.method_version.code", default=None, allow_null=True)
    file_name = serializers.CharField(source="file.name", default=None, allow_null=True)
    sha256 = serializers.CharField(source="file.sha256", default=None, allow_null=True)
    size = serializers.IntegerField(source="file.size", default=None, allow_null=True)
    second_file_name = serializers.CharField(source="second.name", default=None, allow_null=True)
    second_sha256 = serializers.CharField(source="second.sha256", default=None, allow_null=True)
    second_offset_s = serializers.FloatField(source="second_offset", allow_null=True)
    uploaded_at = serializers.DateTimeField()
    uploaded_by = serializers.CharField(source="uploaded_by.username")
    started_at = serializers.DateTimeField(allow_null=True)
    rows = serializers.IntegerField(allow_null=True)
    seconds = serializers.FloatField(allow_null=True)
    zero = serializers.CharField(source="zero.code", default=None, allow_null=True)
    zero_after = serializers.CharField(source="zero_after.code", default=None, allow_null=True)
    zeros_by_hand = serializers.BooleanField()
    reason = serializers.CharField()
    problems = serializers.ListField(child=serializers.DictField())
    current = serializers.CharField(source="current.code", default=None, allow_null=True)
    figures = serializers.DictField(source="current.figures", child=FigureSerializer(), default=dict)


class UploadSerializer(serializers.Serializer[Any]):
    """One run file. What is left out is read from the file's own notes."""

    file = serializers.FileField()
    application = serializers.CharField(required=False)
    rig = serializers.CharField(required=False)
    kind = serializers.ChoiceField(choices=runs_.KINDS, required=False)
    zero = serializers.CharField(required=False)
    zero_after = serializers.CharField(required=False)


class AbortSerializer(serializers.Serializer[Any]):
    """An attempt that was broken off."""

    application = serializers.CharField()
    reason = serializers.CharField()
    file = serializers.FileField(required=False)


class ReduceSerializer(ReasonSerializer):
    """A new computation; with `start` and `end` [s] over a window chosen by hand."""

    start = serializers.FloatField(required=False, min_value=0)
    end = serializers.FloatField(required=False, min_value=0)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("start" in attrs) != ("end" in attrs):
            raise serializers.ValidationError({"end": ["A window needs both its start and its end."]})
        return attrs


class ZerosSerializer(ReasonSerializer):
    """The zeros of a run, chosen by hand."""

    zero = serializers.CharField(allow_null=True)
    zero_after = serializers.CharField(allow_null=True, required=False, default=None)


class OverrideSerializer(ReasonSerializer):
    """A blocking flag to be set aside."""

    flag = serializers.CharField()


class OverriddenSerializer(serializers.Serializer[Any]):
    """A flag set aside."""

    reduction = serializers.CharField(source="reduction.code")
    flag = serializers.CharField()
    by = serializers.CharField(source="by.username")
    at = serializers.DateTimeField()
    reason = serializers.CharField()


class FilterSerializer(serializers.Serializer[Any]):
    """What narrows the list of runs."""

    state = serializers.ChoiceField(choices=runs_.STATES, required=False)
    kind = serializers.ChoiceField(choices=runs_.KINDS, required=False)
    rig = serializers.CharField(required=False)
    sample = serializers.CharField(required=False)
    method = serializers.CharField(required=False)
    person = serializers.CharField(required=False)
    flag = serializers.CharField(required=False, help_text="a flag's code, or `any` for any blocking one")
    since = serializers.DateField(required=False)
    until = serializers.DateField(required=False)


class Runs(View):
    """The runs."""

    rights = {"GET": READ, "POST": "run.upload"}
    parser_classes = (MultiPartParser,)

    @extend_schema(parameters=[FilterSerializer], responses=RunSerializer(many=True))
    def get(self, request: Request) -> Response:
        wanted = valid(FilterSerializer(data=request.query_params))
        return self.page(runs_.narrowed(runs_.runs_for(_actor(request)), wanted), RunSerializer)

    @extend_schema(
        request={"multipart/form-data": UploadSerializer}, parameters=[KEY, DIGEST], responses={201: RunSerializer}
    )
    def post(self, request: Request) -> Response:
        """Send one run file; its reduction is queued. The same bytes again are refused (409, code `run-exists`)."""
        content, user = valid(UploadSerializer(data=request.data)), _actor(request)
        file, about = content["file"], _about(user, content)
        require_rig(request.auth, _rig_of(about))
        run = services.upload_run(
            actor=user,
            content=file,
            name=file.name,
            digest=_digest(request),
            key=self.key,
            **about,
        )
        return Response(RunSerializer(run).data, status=201)


def _about(user: Any, content: dict[str, Any]) -> services.About:
    about: services.About = {"kind": content.get("kind", "")}
    if code := content.get("application"):
        about["application"] = get_application_for(user, code)
    if code := content.get("rig"):
        about["rig"] = get_rig_for(user, code)
    if code := content.get("zero"):
        about["zero"] = runs_.get_run_for(user, code)
    if code := content.get("zero_after"):
        about["zero_after"] = runs_.get_run_for(user, code)
    return about


def _rig_of(about: services.About) -> str:
    rig = about.get("rig") or getattr(about.get("application"), "rig", None)
    return str(rig.code) if rig else ""


def _digest(request: Request) -> str:
    """The SHA-256 that the sender states, in hexadecimal; "" where none is stated."""
    header = request.headers.get("Content-Digest", "")
    found = SHA_256.search(header)
    if header and found is None:
        raise Invalid(f"Content-Digest is '{header}'; sha-256=:...: is expected.", code="bad-digest")
    try:
        return base64.b64decode(found[1], validate=True).hex() if found else ""
    except binascii.Error as error:
        raise Invalid(f"Content-Digest is not base64: {error}.", code="bad-digest") from error


class Aborted(View):
    """Runs that were broken off."""

    rights = {"POST": "run.abort"}
    parser_classes = (MultiPartParser, JSONParser)

    @extend_schema(request=AbortSerializer, parameters=[KEY], responses={201: RunSerializer})
    def post(self, request: Request) -> Response:
        """Say that an attempt was broken off; it stays on record and counts."""
        content, user = valid(AbortSerializer(data=request.data)), _actor(request)
        file = content.get("file")
        run = once(self.key, services.declare_aborted)(
            get_application_for(user, content["application"]),
            actor=user,
            reason=content["reason"],
            content=file,
            name=file.name if file else "run",
        )
        return Response(RunSerializer(run).data, status=201)


class Run(View):
    """One run."""

    rights = {"GET": READ}

    @extend_schema(responses=RunSerializer)
    def get(self, request: Request, code: str) -> Response:
        return Response(RunSerializer(runs_.get_run_for(_actor(request), code)).data)


class RunFile(View):
    """The file of one run."""

    rights = {"GET": READ}

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    def get(self, request: Request, code: str) -> FileResponse:
        """The bytes as they came, with their digest in `Repr-Digest` (RFC 9530)."""
        row = runs_.get_run_for(_actor(request), code).file
        if row is None:
            raise NotFound(f"{code} has no file.")
        response = FileResponse(open_file(row), as_attachment=True, filename=row.name)
        response["Content-Type"] = "application/octet-stream"
        response["Content-Length"] = str(row.size)
        response["Repr-Digest"] = f"sha-256=:{base64.b64encode(bytes.fromhex(row.sha256)).decode()}:"
        response["Content-Security-Policy"] = "default-src 'none'; sandbox"
        return response


class Reductions(View):
    """The reductions of one run."""

    rights = {"GET": READ, "POST": "reduction.request"}

    @extend_schema(responses=ReductionSerializer(many=True))
    def get(self, request: Request, code: str) -> Response:
        run = runs_.get_run_for(_actor(request), code)
        return self.page(reductions_.reductions_of(run).select_related("run"), ReductionSerializer)

    @extend_schema(request=ReduceSerializer, parameters=[KEY], responses={201: ReductionSerializer})
    def post(self, request: Request, code: str) -> Response:
        """Compute the figures again: a new reduction; the run points at it once it is done."""
        content, run = valid(ReduceSerializer(data=request.data)), runs_.get_run_for(_actor(request), code)
        act: Any = services.choose_window if "start" in content else services.request_reduction
        made = once(self.key, act)(run, actor=_actor(request), **content)
        return Response(ReductionSerializer(made).data, status=201)


class Zeros(View):
    """The zeros of one run."""

    rights = {"POST": "run.choose_zeros"}

    @extend_schema(request=ZerosSerializer, parameters=[KEY], responses=RunSerializer)
    def post(self, request: Request, code: str) -> Response:
        """Choose the zeros by hand and reduce with them."""
        content, user = valid(ZerosSerializer(data=request.data)), _actor(request)
        chosen = {
            name: runs_.get_run_for(user, content[name]) if content[name] else None for name in ("zero", "zero_after")
        }
        run = runs_.get_run_for(user, code)
        done = once(self.key, services.choose_zeros)(run, actor=user, reason=content["reason"], **chosen)
        return Response(RunSerializer(done).data)


class SecondFileSerializer(serializers.Serializer[Any]):
    """What a second logger recorded of a run."""

    file = serializers.FileField()
    offset_s = serializers.FloatField(
        required=False, allow_null=True, help_text="s it began later; left out: by the clocks of both files"
    )
    reason = serializers.CharField()


class SecondFile(View):
    """The second file of one run."""

    rights = {"POST": "run.add_second"}
    parser_classes = (MultiPartParser, FormParser)

    @extend_schema(request=SecondFileSerializer, parameters=[KEY], responses=RunSerializer)
    def post(self, request: Request, code: str) -> Response:
        """Add a second logger's file and reduce with both, joined by time."""
        content, user = valid(SecondFileSerializer(data=request.data)), _actor(request)
        file = content["file"]
        done = once(self.key, add_second_file)(
            runs_.get_run_for(user, code),
            actor=user,
            content=file,
            name=file.name,
            offset=content.get("offset_s"),
            reason=content["reason"],
        )
        return Response(RunSerializer(done).data)


class Overrides(View):
    """Flags set aside on one reduction."""

    rights = {"POST": "run.override_flag"}

    @extend_schema(request=OverrideSerializer, parameters=[KEY], responses={201: OverriddenSerializer})
    def post(self, request: Request, code: str) -> Response:
        """Set a blocking flag aside, by name and with a reason; not of one's own work."""
        content = valid(OverrideSerializer(data=request.data))
        reduction = reductions_.get_reduction_for(_actor(request), code)
        made = once(self.key, services.override_flag)(reduction, actor=_actor(request), **content)
        return Response(OverriddenSerializer(made).data, status=201)


class Qualification(View):
    """Whether an unqualified run may count."""

    rights = {"POST": "run.qualify"}

    @extend_schema(request=SignedSerializer, responses=RunSerializer)
    def post(self, request: Request, code: str) -> Response:
        """Accept an unqualified run after its doubts were looked into; signed, not of one's own work."""
        content, actor = valid(SignedSerializer(data=request.data)), _actor(request)
        return Response(
            RunSerializer(services.qualify_run(runs_.get_run_for(actor, code), actor=actor, **content)).data
        )


class InvalidateSerializer(SignedSerializer):
    """Why, and two persons' passwords."""

    second = serializers.CharField(help_text="User name.")
    second_password = serializers.CharField(write_only=True)


class Invalidation(View):
    """A result set aside."""

    rights = {"POST": "run.invalidate"}

    @extend_schema(request=InvalidateSerializer, responses=RunSerializer)
    def post(self, request: Request, code: str) -> Response:
        """Set the result of a run aside: an assignable cause with evidence has to be on record; two persons."""
        content, actor = valid(InvalidateSerializer(data=request.data)), _actor(request)
        second = get_person_named(content["second"])
        if second is None:
            raise Invalid("There is no such account in use.", fields={"second": ["A user name is expected."]})
        done = invalidate_run(
            runs_.get_run_for(actor, code),
            actor=actor,
            password=content["password"],
            reason=content["reason"],
            second=Second(second, content["second_password"]),
        )
        return Response(RunSerializer(done).data)


class Reduction(View):
    """One reduction."""

    rights = {"GET": READ}

    @extend_schema(responses=ReductionSerializer)
    def get(self, request: Request, code: str) -> Response:
        return Response(ReductionSerializer(reductions_.get_reduction_for(_actor(request), code)).data)


class Result(View):
    """The result of one reduction."""

    rights = {"GET": READ}

    @extend_schema(responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, code: str) -> Response:
        """The result exactly as it is stored; `python -m analysis reduce` repeats it from this and the files alone."""
        return Response(reductions_.get_reduction_for(_actor(request), code).result)


class PartSerializer(serializers.Serializer[Any]):
    """The part of the curves asked for."""

    start = serializers.FloatField(required=False)
    end = serializers.FloatField(required=False)
    pixels = serializers.IntegerField(required=False, min_value=100, max_value=4000, default=1000)


class Traces(View):
    """The curves of one reduction's run."""

    rights = {"GET": READ}

    @extend_schema(parameters=[PartSerializer], responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, code: str) -> Response:
        """The calibrated channels as a plotly figure, each thinned to the extremes within a pixel."""
        part = valid(PartSerializer(data=request.query_params))
        reduction = reductions_.get_reduction_for(_actor(request), code)
        return Response(drawing_of(reduction, **part))


urlpatterns = [
    path("runs/", Runs.as_view(), name="api-runs"),
    path("runs/aborted/", Aborted.as_view(), name="api-runs-aborted"),
    path("runs/<str:code>/", Run.as_view(), name="api-run"),
    path("runs/<str:code>/file/", RunFile.as_view(), name="api-run-file"),
    path("runs/<str:code>/reductions/", Reductions.as_view(), name="api-run-reductions"),
    path("runs/<str:code>/second-file/", SecondFile.as_view(), name="api-run-second-file"),
    path("runs/<str:code>/zeros/", Zeros.as_view(), name="api-run-zeros"),
    path("runs/<str:code>/qualification/", Qualification.as_view(), name="api-run-qualification"),
    path("runs/<str:code>/invalidation/", Invalidation.as_view(), name="api-run-invalidation"),
    path("reductions/<str:code>/", Reduction.as_view(), name="api-reduction"),
    path("reductions/<str:code>/result/", Result.as_view(), name="api-reduction-result"),
    path("reductions/<str:code>/traces/", Traces.as_view(), name="api-reduction-traces"),
    path("reductions/<str:code>/overrides/", Overrides.as_view(), name="api-reduction-overrides"),
]
