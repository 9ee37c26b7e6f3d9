"""Formulations and their versions; for those who may read recipes."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, DecideSerializer, ReasonSerializer, RecordRoutes, RouteAct, SignedSerializer, answers
from lims.api.base import View, valid
from lims.formulations import selectors, services
from lims.formulations.kinds import TESTS
from lims.formulations.services import LineSpec, StepSpec
from lims.materials.selectors import get_material_for

TEXT = OpenApiParameter("text", str, description="A part of the name, or a code.")


class LineSerializer(serializers.Serializer[Any]):
    """One line: a material's code, its share of the mass (0.25 is 25 %), tolerances as fractions of the target."""

    material = serializers.CharField(source="material.code")
    fraction = serializers.DecimalField(max_digits=9, decimal_places=8)
    tolerance = serializers.DecimalField(max_digits=7, decimal_places=6, default=Decimal("0.005"))
    outer_tolerance = serializers.DecimalField(max_digits=7, decimal_places=6, default=Decimal("0.02"))


class StepSerializer(serializers.Serializer[Any]):
    """One step; settings in SI: 1/s, s, Pa absolute, K."""

    instruction = serializers.CharField(max_length=400)
    speed = serializers.FloatField(allow_null=True, required=False)
    duration = serializers.FloatField(allow_null=True, required=False)
    pressure = serializers.FloatField(allow_null=True, required=False)
    temperature = serializers.FloatField(allow_null=True, required=False)
    tolerance = serializers.FloatField(default=0.1)
    hold_point = serializers.BooleanField(default=False)


class LimitOfTestSerializer(serializers.Serializer[Any]):
    """The limits of one in-process test, SI; at least one end."""

    test = serializers.ChoiceField(choices=sorted(key for key, test in TESTS.items() if test.dimension))
    lower = serializers.FloatField(required=False, allow_null=True)
    upper = serializers.FloatField(required=False, allow_null=True)


class TestLimitsSerializer(serializers.Serializer[Any]):
    """The limits of a draft's in-process tests, all of them."""

    tests = LimitOfTestSerializer(many=True)


class RecipeSerializer(serializers.Serializer[Any]):
    """Lines and steps."""

    lines = LineSerializer(many=True)
    steps = StepSerializer(many=True, required=False)


class FormulationRequestSerializer(RecipeSerializer):
    """A new formulation with its first draft."""

    name = serializers.CharField(max_length=200)
    purpose = serializers.CharField(allow_blank=True, default="")


class EditSerializer(RecipeSerializer):
    """The lines and steps of a draft anew; `version` is the record version that was read."""

    version = serializers.IntegerField(required=False)


class VersionSerializer(serializers.Serializer[Any]):
    """One version."""

    code = serializers.CharField()
    formulation = serializers.CharField(source="formulation.code")
    name = serializers.CharField(source="formulation.name")
    state = serializers.CharField()
    reason = serializers.CharField()
    author = serializers.CharField(source="author.username")
    approved_by = serializers.CharField(source="approved_by.username", default=None, allow_null=True)
    digest = serializers.CharField()
    version = serializers.IntegerField(help_text="of the record: send it back with a change")
    lines = LineSerializer(many=True, source="lines.all")
    steps = StepSerializer(many=True, source="steps.all")
    tests = LimitOfTestSerializer(many=True, source="test_limits.all", help_text="Limits of in-process tests.")
    volume_fractions = serializers.SerializerMethodField()
    density = serializers.SerializerMethodField()
    not_computed = serializers.SerializerMethodField()

    def get_volume_fractions(self, version: Any) -> list[float | None]:
        shown = selectors.composition_of(version).lines
        return [None if line.volume_percent is None else line.volume_percent / 100 for line in shown]

    def get_density(self, version: Any) -> float | None:
        return selectors.composition_of(version).density

    def get_not_computed(self, version: Any) -> str:
        return selectors.composition_of(version).why


class FormulationSerializer(serializers.Serializer[Any]):
    """One formulation and the codes of its versions."""

    code = serializers.CharField()
    name = serializers.CharField()
    purpose = serializers.CharField()
    versions = serializers.SerializerMethodField(help_text="Codes of the versions.")

    def get_versions(self, record: Any) -> list[str]:
        return [version.code for version in record.versions.all()]


def lines_of(user: Any, rows: Iterable[dict[str, Any]]) -> list[LineSpec]:
    """Lines as the service takes them."""
    return [
        LineSpec(
            get_material_for(user, row["material"]["code"]), row["fraction"], row["tolerance"], row["outer_tolerance"]
        )
        for row in rows
    ]


def steps_of(rows: Iterable[dict[str, Any]]) -> list[StepSpec]:
    """Steps as the service takes them."""
    return [StepSpec(**row) for row in rows]


class Formulations(View):
    """Formulations."""

    rights = {"GET": "recipe.read", "POST": "formulation.create"}

    @extend_schema(operation_id="formulations", parameters=[TEXT], responses=answers(FormulationSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(selectors.formulations(text=request.query_params.get("text", "")), FormulationSerializer)

    @extend_schema(
        operation_id="formulation_create",
        request=FormulationRequestSerializer,
        responses=answers(VersionSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(FormulationRequestSerializer(data=request.data))
        made = once(self.key, services.create_formulation)(
            actor=user,
            name=content["name"],
            purpose=content["purpose"],
            lines=lines_of(user, content["lines"]),
            steps=steps_of(content.get("steps", [])),
        )
        return Response(VersionSerializer(selectors.get_version_for(user, made.code)).data, status=201)


class Formulation(View):
    """One version by its code F-012/3; F-012 gives the newest."""

    rights = {"GET": "recipe.read", "PUT": "formulation.edit"}

    @extend_schema(operation_id="formulation", responses=answers(VersionSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(VersionSerializer(selectors.get_version_for(user, code)).data)

    @extend_schema(operation_id="formulation_edit", request=EditSerializer, responses=answers(VersionSerializer))
    def put(self, request: Request, code: str) -> Response:
        user: Any = request.user
        content = valid(EditSerializer(data=request.data))
        edited = services.edit_draft(
            selectors.get_version_for(user, code),
            actor=user,
            lines=lines_of(user, content["lines"]),
            steps=steps_of(content.get("steps", [])),
            read=content.get("version"),
        )
        return Response(VersionSerializer(selectors.get_version_for(user, edited.code)).data)


def _limits(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    return {"tests": [services.LimitOfTest(**row) for row in content["tests"]]}


FORMULATION = RecordRoutes(
    "formulation",
    "formulations",
    selectors.get_version_for,
    VersionSerializer,
    (
        RouteAct("submit", "formulation.submit", services.submit_version),
        RouteAct("approve", "formulation.approve", services.approve_version, DecideSerializer),
        RouteAct("return", "formulation.return", services.return_version, ReasonSerializer),
        RouteAct("new-version", "formulation.create", services.new_version, ReasonSerializer),
        RouteAct("withdraw", "formulation.withdraw", services.withdraw_version, SignedSerializer),
        RouteAct("test-limits", "formulation.edit", services.set_test_limits, TestLimitsSerializer, _limits),
        RouteAct("abandon", "formulation.abandon", services.abandon_version, ReasonSerializer),
    ),
)

urlpatterns = [
    path("formulations/", Formulations.as_view(), name="api-formulations"),
    *FORMULATION.paths(),
    path("formulations/<path:code>/", Formulation.as_view(), name="api-formulation"),
]
