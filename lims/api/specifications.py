"""Specifications and limits."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, RecordRoutes, RouteAct, SignedSerializer, answers
from lims.api.base import View, valid
from lims.core.codes import parse_code
from lims.formulations.selectors import get_formulation_for
from lims.materials.selectors import get_material_for
from lims.specifications import selectors, services
from lims.specifications.services import LimitSpec

TEXT = OpenApiParameter("text", str, description="A part of the name, or a code.")


class LimitRequestSerializer(serializers.Serializer[Any]):
    """One limit; lower, upper and target in `unit`."""

    quantity = serializers.CharField()
    unit = serializers.CharField(allow_blank=True)
    lower = serializers.FloatField(required=False, allow_null=True)
    upper = serializers.FloatField(required=False, allow_null=True)
    target = serializers.FloatField(required=False, allow_null=True)
    results_required = serializers.IntegerField(default=1, min_value=1)
    basis = serializers.ChoiceField(choices=["each", "mean"], default="each", help_text="What is judged.")
    warn_lower = serializers.FloatField(required=False, allow_null=True)
    warn_upper = serializers.FloatField(required=False, allow_null=True)


class LimitsSerializer(serializers.Serializer[Any]):
    """The limits of a version and its guard band as a multiple of U; 0 is simple acceptance."""

    limits = LimitRequestSerializer(many=True)
    guard_factor = serializers.FloatField(default=1.0, min_value=0)
    risk = serializers.FloatField(
        required=False,
        allow_null=True,
        min_value=1e-6,
        max_value=0.5,
        help_text="Of a wrong acceptance.",
    )


class SpecificationRequestSerializer(LimitsSerializer):
    """A specification of a material's lots (MAT-0001) or a formulation's batches (F-001)."""

    name = serializers.CharField(max_length=200)
    subject = serializers.CharField()


class LimitSerializer(serializers.Serializer[Any]):
    """One limit in SI, and as entered."""

    quantity = serializers.CharField()
    lower = serializers.FloatField(allow_null=True)
    upper = serializers.FloatField(allow_null=True)
    target = serializers.FloatField(allow_null=True)
    as_entered = serializers.CharField()
    results_required = serializers.IntegerField()
    basis = serializers.CharField()
    warn_lower = serializers.FloatField(allow_null=True)
    warn_upper = serializers.FloatField(allow_null=True)


class SpecificationSerializer(serializers.Serializer[Any]):
    """One version."""

    code = serializers.CharField()
    specification = serializers.CharField(source="specification.code")
    name = serializers.CharField(source="specification.name")
    material = serializers.CharField(source="specification.material.code", default=None, allow_null=True)
    formulation = serializers.CharField(source="specification.formulation.code", default=None, allow_null=True)
    state = serializers.SerializerMethodField()
    rule = serializers.CharField()
    guard_factor = serializers.FloatField()
    risk = serializers.FloatField(allow_null=True)
    author = serializers.CharField(source="author.username")
    approved_by = serializers.CharField(source="approved_by.username", default=None, allow_null=True)
    effective_from = serializers.DateTimeField(allow_null=True)
    limits = LimitSerializer(many=True, source="limits.all")

    def get_state(self, version: Any) -> str:
        return selectors.state_words(version)


class SpecificationListSerializer(serializers.Serializer[Any]):
    """One specification and the codes of its versions."""

    code = serializers.CharField()
    name = serializers.CharField()
    versions = serializers.SerializerMethodField(help_text="Codes of the versions.")

    def get_versions(self, record: Any) -> list[str]:
        return [version.code for version in record.versions.all()]


class ApproveSerializer(serializers.Serializer[Any]):
    """The password anew, and from when the version is in force (now where left out)."""

    password = serializers.CharField(write_only=True)
    effective_from = serializers.DateTimeField(required=False, allow_null=True)


def _limits(rows: Iterable[dict[str, Any]]) -> list[LimitSpec]:
    return [LimitSpec(**row) for row in rows]


class Specifications(View):
    """Specifications."""

    rights = {"GET": "laboratory.read", "POST": "specification.draft"}

    @extend_schema(
        operation_id="specifications", parameters=[TEXT], responses=answers(SpecificationListSerializer(many=True))
    )
    def get(self, request: Request) -> Response:
        rows = selectors.specifications(text=request.query_params.get("text", ""))
        return self.page(rows, SpecificationListSerializer)

    @extend_schema(
        operation_id="specification_create",
        request=SpecificationRequestSerializer,
        responses=answers(SpecificationSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(SpecificationRequestSerializer(data=request.data))
        kind, code = parse_code(content["subject"])
        get = get_material_for if kind.name == "material" else get_formulation_for
        made = once(self.key, services.create_specification)(
            actor=user,
            name=content["name"],
            subject=get(user, code),
            limits=_limits(content["limits"]),
            guard_factor=content["guard_factor"],
            risk=content.get("risk"),
        )
        return Response(SpecificationSerializer(selectors.get_specification_for(user, made.code)).data, status=201)


class Specification(View):
    """One version by its code SP-009/1; SP-009 gives the newest. PUT writes the limits of a draft anew."""

    rights = {"GET": "laboratory.read", "PUT": "specification.draft"}

    @extend_schema(operation_id="specification", responses=answers(SpecificationSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(SpecificationSerializer(selectors.get_specification_for(user, code)).data)

    @extend_schema(
        operation_id="specification_edit", request=LimitsSerializer, responses=answers(SpecificationSerializer)
    )
    def put(self, request: Request, code: str) -> Response:
        user: Any = request.user
        content = valid(LimitsSerializer(data=request.data))
        found = selectors.get_specification_for(user, code)
        edited = services.edit_specification(
            found,
            actor=user,
            limits=_limits(content["limits"]),
            guard_factor=content["guard_factor"],
            risk=content.get("risk"),
        )
        return Response(SpecificationSerializer(selectors.get_specification_for(user, edited.code)).data)


def _next(version: Any, *, actor: Any, limits: Any, key: str | None = None, **rule: Any) -> Any:
    """Write the next version of a specification, as a draft."""
    service = once(key, services.new_specification_version)
    return service(version, actor=actor, limits=_limits(limits), **rule)


SPECIFICATION = RecordRoutes(
    "specification",
    "specifications",
    selectors.get_specification_for,
    SpecificationSerializer,
    (
        RouteAct("approve", "specification.approve", services.approve_specification, ApproveSerializer),
        RouteAct("withdraw", "specification.approve", services.withdraw_specification, SignedSerializer),
        RouteAct("new-version", "specification.draft", _next, LimitsSerializer),
    ),
)

urlpatterns = [
    path("specifications/", Specifications.as_view(), name="api-specifications"),
    *SPECIFICATION.paths(),
    path("specifications/<path:code>/", Specification.as_view(), name="api-specification"),
]
