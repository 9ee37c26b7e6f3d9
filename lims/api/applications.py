"""Applications: check, plan, put the material on, tear down."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, RecordRoutes, RouteAct, answers
from lims.api.base import View, valid
from lims.api.samples import CountsSerializer
from lims.core.quantities import mass_in_kg
from lims.files.services import store_file
from lims.rigs.selectors import get_block_for, get_method_version_for, get_rig_for
from lims.runs.selectors import applications as selectors
from lims.runs.services import applications as services
from lims.runs.states import ApplicationState
from lims.samples.selectors import cautions_of, get_sample_for

FILTERS = [
    OpenApiParameter("text", str, description="A code of an application, a sample or a rig, or a part of a name."),
    OpenApiParameter("state", str, enum=ApplicationState.values),
    OpenApiParameter("rig", str),
    OpenApiParameter("sample", str),
    OpenApiParameter("method", str, description="A method version's code."),
]
SCANNED = [OpenApiParameter("sample", str, required=True), OpenApiParameter("rig", str, required=True)]


class PlanApplicationSerializer(serializers.Serializer[Any]):
    """What is to go where, by codes. Both surfaces are part of the record."""

    sample = serializers.CharField()
    rig = serializers.CharField()
    method_version = serializers.CharField()
    hot_block = serializers.CharField()
    cold_block = serializers.CharField()
    remarks = serializers.CharField(required=False, allow_blank=True)


class ApplySerializer(serializers.Serializer[Any]):
    """What is said when the material is put on; `amount` in `unit`, the rest in SI."""

    amount = serializers.DecimalField(max_digits=18, decimal_places=9)
    unit = serializers.CharField()
    cleaning = serializers.CharField(max_length=200)
    pattern = serializers.CharField(max_length=60)
    force = serializers.FloatField(help_text="N")
    stop = serializers.FloatField(required=False, allow_null=True, min_value=0, help_text="m")
    dwell = serializers.FloatField(required=False, allow_null=True, min_value=0, help_text="s")
    cure = serializers.CharField(required=False, allow_blank=True, max_length=200)
    ambient_temperature = serializers.FloatField(required=False, allow_null=True, help_text="K")
    departure = serializers.CharField(required=False, allow_blank=True, max_length=400)
    remarks = serializers.CharField(required=False, allow_blank=True)
    applied_at = serializers.DateTimeField(required=False, help_text="Now, unless said; with offset.")
    blocks_cleaned = serializers.BooleanField(default=False, help_text="Both blocks are clean and dry.")
    coolant_steady = serializers.BooleanField(default=False, help_text="The coolant runs and is steady.")


class TearDownSerializer(serializers.Serializer[Any]):
    """What was seen after taking the joint apart."""

    coverage = serializers.FloatField(help_text="Covered part of the face, 0 to 1.")
    photo = serializers.FileField(required=False, write_only=True)
    remarks = serializers.CharField(required=False, allow_blank=True)


class PhotoSerializer(serializers.Serializer[Any]):
    """One photograph; its bytes stand under its digest."""

    sha256 = serializers.CharField(source="file.sha256")
    when = serializers.CharField()
    words = serializers.CharField()
    by = serializers.CharField(source="by.username")
    at = serializers.DateTimeField()


class PhotographSerializer(serializers.Serializer[Any]):
    """A photograph to keep: before or after."""

    photo = serializers.FileField(write_only=True)
    when = serializers.ChoiceField(choices=selectors.WHEN)
    words = serializers.CharField(required=False, allow_blank=True, max_length=200)


class ApplicationSerializer(serializers.Serializer[Any]):
    """One application, in SI."""

    code = serializers.CharField()
    state = serializers.CharField()
    sample = serializers.CharField(source="sample.code")
    rig = serializers.CharField(source="rig.code")
    method_version = serializers.CharField(source="method_version.code")
    planned_by = serializers.CharField(source="planned_by.username")
    applied_by = serializers.CharField(source="applied_by.username", default=None, allow_null=True)
    applied_at = serializers.DateTimeField(allow_null=True)
    amount = serializers.FloatField(allow_null=True, help_text="kg")
    force = serializers.FloatField(allow_null=True, help_text="N")
    departure = serializers.CharField()


class SurfaceSerializer(serializers.Serializer[Any]):
    """One face of the joint, in SI."""

    code = serializers.CharField()
    role = serializers.CharField()
    metal = serializers.CharField()
    finish = serializers.CharField()
    area = serializers.FloatField(help_text="m2")
    flatness = serializers.FloatField(allow_null=True, help_text="m")
    uses = serializers.SerializerMethodField()

    def get_uses(self, block: Any) -> int:
        return selectors.uses_of(block)


class ApplicationDetailSerializer(ApplicationSerializer):
    """One application with its surfaces, its pressure and its counts, in SI."""

    hot_block = SurfaceSerializer()
    cold_block = SurfaceSerializer()
    cleaning = serializers.CharField()
    pattern = serializers.CharField()
    stop = serializers.FloatField(allow_null=True, help_text="m")
    dwell = serializers.FloatField(allow_null=True, help_text="s")
    cure = serializers.CharField()
    ambient_temperature = serializers.FloatField(allow_null=True, help_text="K")
    coverage = serializers.FloatField(allow_null=True, help_text="0 to 1; none: the face is assumed covered in full")
    photo_sha256 = serializers.CharField(source="coverage_photo.sha256", default=None, allow_null=True)
    remarks = serializers.CharField()
    hold_hours = serializers.FloatField(allow_null=True, help_text="h, from taking to putting on")
    hold_over_hours = serializers.FloatField(allow_null=True, help_text="h beyond the sample's limit; null: within it")
    checklist = serializers.JSONField(help_text="What was looked at before: what, ok, words.")
    photos = PhotoSerializer(many=True, source="photos.all")
    pressure = serializers.SerializerMethodField(help_text="Pa, over the covered part of the face.")
    counts = serializers.SerializerMethodField()
    runs = serializers.SerializerMethodField()
    cautions = serializers.SerializerMethodField(help_text="Keys of what can hurt.")

    def get_pressure(self, application: Any) -> float | None:
        return selectors.pressure_of(application)

    def get_counts(self, application: Any) -> dict[str, int]:
        return dict(CountsSerializer(selectors.counts_of(application)).data)

    def get_runs(self, application: Any) -> list[str]:
        return [run.code for run in selectors.runs_of(application)]

    def get_cautions(self, application: Any) -> list[str]:
        return ["heat", "press", "mains", *cautions_of(application.sample)]


class WorkCheckSerializer(serializers.Serializer[Any]):
    """One line before the work: in order, to be careful about, or stopping it."""

    ok = serializers.BooleanField(default=False)
    caution = serializers.BooleanField(default=False)
    code = serializers.CharField(default="")
    label = serializers.CharField()  # type: ignore[assignment]
    why = serializers.CharField(default="")


class WorkChecksSerializer(serializers.Serializer[Any]):
    """Whether the work may begin."""

    may_begin = serializers.BooleanField()
    checks = WorkCheckSerializer(many=True)


class Applications(View):
    """Applications of the laboratory."""

    rights = {"GET": "laboratory.read", "POST": "application.plan"}

    @extend_schema(operation_id="applications", parameters=FILTERS, responses=answers(ApplicationSerializer(many=True)))
    def get(self, request: Request) -> Response:
        asked = {name: request.query_params.get(name, "") for name in ("text", "state", "rig", "sample", "method")}
        return self.page(selectors.applications_for(_user(request), **asked), ApplicationSerializer)

    @extend_schema(
        operation_id="application_plan",
        request=PlanApplicationSerializer,
        responses=answers(ApplicationDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user, content = _user(request), valid(PlanApplicationSerializer(data=request.data))
        faces = services.Faces(
            get_block_for(user, content.pop("hot_block")), get_block_for(user, content.pop("cold_block"))
        )
        made = once(self.key, services.plan_application)(
            actor=user,
            sample=get_sample_for(user, content.pop("sample")),
            rig=get_rig_for(user, content.pop("rig")),
            method_version=get_method_version_for(user, content.pop("method_version")),
            faces=faces,
            **content,
        )
        found = selectors.get_application_for(user, made.code)
        return Response(ApplicationDetailSerializer(found).data, status=201)


class Application(View):
    """One application."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="application", responses=answers(ApplicationDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(ApplicationDetailSerializer(selectors.get_application_for(_user(request), code)).data)


class ApplicationChecks(View):
    """May a sample be put on a rig now?"""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="application_checks", parameters=SCANNED, responses=answers(WorkChecksSerializer))
    def get(self, request: Request) -> Response:
        user = _user(request)
        sample = get_sample_for(user, request.query_params.get("sample", ""))
        rig = get_rig_for(user, request.query_params.get("rig", ""))
        checks = selectors.checks_before(sample, rig)
        return Response(WorkChecksSerializer({"may_begin": selectors.may_begin(checks), "checks": checks}).data)


def _user(request: Request) -> Any:
    return request.user


def _apply(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    return content | {"amount": mass_in_kg(content["amount"], unit=content.pop("unit"), field="unit")}


def _tear_down(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    file = content.pop("photo", None)
    stored = store_file(file, name=file.name, media_type=file.content_type, by=user) if file else None
    return content | {"photo": stored}


def _photograph(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    file = content.pop("photo")
    return content | {"file": store_file(file, name=file.name, media_type=file.content_type, by=user)}


APPLICATION = RecordRoutes(
    "application",
    "applications",
    selectors.get_application_for,
    ApplicationDetailSerializer,
    (
        RouteAct("apply", "application.apply", services.apply_sample, ApplySerializer, _apply),
        RouteAct("settle", "application.settle", services.settle_application),
        RouteAct("tear-down", "application.tear_down", services.tear_down, TearDownSerializer, _tear_down),
        RouteAct("photograph", "application.photograph", services.add_photograph, PhotographSerializer, _photograph),
        RouteAct("void", "application.void", services.void_application, ReasonSerializer),
    ),
)

urlpatterns = [
    path("applications/", Applications.as_view(), name="api-applications"),
    path("applications/checks/", ApplicationChecks.as_view(), name="api-application-checks"),
    *APPLICATION.paths(),
    path("applications/<str:code>/", Application.as_view(), name="api-application"),
]
