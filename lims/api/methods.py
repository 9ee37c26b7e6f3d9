"""Methods in versions: draft, approve, retire."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, RecordRoutes, RouteAct, answers
from lims.api.base import View, valid
from lims.rigs import selectors, services


class MethodContentSerializer(serializers.Serializer[Any]):
    """What a method version states, in SI; tolerances of power and force as fractions."""

    reduction_method = serializers.ChoiceField(choices=selectors.reduction_choices(), required=False)
    document = serializers.CharField(required=False, allow_blank=True)
    reason = serializers.CharField(required=False, allow_blank=True, max_length=400)
    area = serializers.FloatField(required=False, help_text="m2")
    surface = serializers.CharField(required=False, max_length=60)
    heater_power = serializers.FloatField(required=False, allow_null=True, help_text="W")
    heater_power_tolerance = serializers.FloatField(required=False, min_value=0)
    force = serializers.FloatField(required=False, allow_null=True, help_text="N")
    force_tolerance = serializers.FloatField(required=False, min_value=0)
    coolant_temperature = serializers.FloatField(required=False, allow_null=True, help_text="K")
    coolant_tolerance = serializers.FloatField(required=False, min_value=0, help_text="K")
    min_duration = serializers.FloatField(required=False, help_text="s")
    max_slope = serializers.FloatField(required=False, help_text="K/s of the temperature rise")
    soak = serializers.FloatField(required=False, min_value=0, help_text="s")
    repeats = serializers.IntegerField(required=False, min_value=1, max_value=99)
    authorization = serializers.ChoiceField(
        choices=selectors.AUTHORIZATION_NEEDS,
        required=False,
        allow_blank=True,
        help_text="whose authorization it asks for",
    )


class MethodRequestSerializer(MethodContentSerializer):
    """A method with its first version."""

    name = serializers.CharField(max_length=200)
    scope = serializers.CharField(required=False, allow_blank=True)
    area = serializers.FloatField(help_text="m2")
    surface = serializers.CharField(max_length=60)


class MethodVersionSerializer(MethodContentSerializer):
    """One version of a method."""

    code = serializers.CharField()
    number = serializers.IntegerField()
    state = serializers.CharField()
    author = serializers.CharField(source="author.username")
    approved_by = serializers.CharField(source="approved_by.username", default=None, allow_null=True)
    effective_from = serializers.DateTimeField(allow_null=True)
    in_force = serializers.SerializerMethodField()
    method = serializers.CharField(source="method.code")

    def get_in_force(self, version: Any) -> bool:
        return selectors.is_effective(version)


class MethodSerializer(serializers.Serializer[Any]):
    """One method with its versions."""

    code = serializers.CharField()
    name = serializers.CharField()
    scope = serializers.CharField()
    versions = serializers.SerializerMethodField()

    def get_versions(self, method: Any) -> list[dict[str, Any]]:
        return list(MethodVersionSerializer(selectors.versions_of(method), many=True).data)


class ApproveMethodSerializer(serializers.Serializer[Any]):
    """From when it is in force."""

    effective_from = serializers.DateTimeField(required=False, help_text="Now, unless said.")
    reason = serializers.CharField(required=False, allow_blank=True)


class Methods(View):
    """Methods of the laboratory."""

    rights = {"GET": "laboratory.read", "POST": "method.create"}

    @extend_schema(operation_id="methods", responses=answers(MethodSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(selectors.methods_for(_user(request)), MethodSerializer)

    @extend_schema(
        operation_id="method_create",
        request=MethodRequestSerializer,
        responses=answers(MethodSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content = valid(MethodRequestSerializer(data=request.data))
        made = once(self.key, services.create_method)(actor=_user(request), **content)
        return Response(MethodSerializer(made).data, status=201)


class Method(View):
    """One version of a method: M-004/2, or the newest of M-004."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="method", responses=answers(MethodVersionSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(MethodVersionSerializer(selectors.get_version_of_method_for(_user(request), code)).data)


class NextVersion(View):
    """The next version of a method."""

    rights = {"POST": "method.edit"}

    @extend_schema(
        operation_id="method_draft",
        request=MethodContentSerializer,
        responses=answers(MethodVersionSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        content = valid(MethodContentSerializer(data=request.data))
        method = selectors.get_version_of_method_for(_user(request), code).method
        made = once(self.key, services.draft_method_version)(method, actor=_user(request), **content)
        return Response(MethodVersionSerializer(made).data, status=201)


def _user(request: Request) -> Any:
    return request.user


METHOD = RecordRoutes(
    "method",
    "methods",
    selectors.get_version_of_method_for,
    MethodVersionSerializer,
    (
        RouteAct("edit", "method.edit", services.edit_method_version, MethodContentSerializer),
        RouteAct("approve", "method.release", services.approve_method_version, ApproveMethodSerializer),
        RouteAct("retire", "method.retire", services.retire_method_version, ReasonSerializer),
    ),
)

urlpatterns = [
    path("methods/", Methods.as_view(), name="api-methods"),
    path("methods/<path:code>/versions/", NextVersion.as_view(), name="api-method-versions"),
    *METHOD.paths(),
    path("methods/<path:code>/", Method.as_view(), name="api-method"),
]
