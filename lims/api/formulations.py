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


class TypedLineSerializer(serializers.Serializer[Any]):
    """One line as typed: `fraction` of the mass, or an `amount` on its `basis`; the rest has neither."""

    material = serializers.CharField(source="material.code")
    fraction = serializers.DecimalField(max_digits=9, decimal_places=8, required=False, help_text="0.25 is 25 %")
    basis = serializers.ChoiceField(choices=["mass", "parts", "volume", "rest"], required=False)
    amount = serializers.DecimalField(
        max_digits=14,
        decimal_places=8,
        required=False,
        min_value=0,
        help_text="Percent by mass or by volume, or parts per hundred of the fluids by mass.",
    )
    tolerance = serializers.DecimalField(max_digits=7, decimal_places=6, default=Decimal("0.005"))
    outer_tolerance = serializers.DecimalField(max_digits=7, decimal_places=6, default=Decimal("0.02"))

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """A fraction, or a basis with its amount; not both."""
        given = {name for name in ("fraction", "basis", "amount") if name in attrs}
        right = [{"fraction"}, {"basis", "amount"}] if attrs.get("basis") != "rest" else [{"basis"}]
        if given not in right:
            found = " and ".join(sorted(given)) or "none of them"
            raise serializers.ValidationError(
                f"Expected fraction, or basis and amount, or basis rest alone; found {found}."
            )
        return attrs


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

    lines = TypedLineSerializer(many=True)
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


class ComputedSheetRequestSerializer(serializers.Serializer[Any]):
    """Lines to compute."""

    lines = TypedLineSerializer(many=True, allow_empty=False)


class SheetLineSerializer(serializers.Serializer[Any]):
    """One line by mass, by parts and by volume."""

    material = serializers.CharField()
    fraction = serializers.DecimalField(max_digits=9, decimal_places=8)
    parts_per_hundred = serializers.FloatField(allow_null=True, help_text="of the fluids, by mass")
    volume_fraction = serializers.FloatField(allow_null=True)


class ComputedSheetSerializer(serializers.Serializer[Any]):
    """What the lines make, in SI; `not_computed` says by name why a figure is missing."""

    lines = SheetLineSerializer(many=True)
    total = serializers.DecimalField(max_digits=12, decimal_places=8, help_text="Sum of the fractions.")
    density = serializers.FloatField(allow_null=True, help_text="kg/m3, without voids")
    conductivity_least = serializers.FloatField(allow_null=True, help_text="W/(m K), Hashin and Shtrikman 1962")
    conductivity_most = serializers.FloatField(allow_null=True)
    cost_per_kg = serializers.DecimalField(max_digits=14, decimal_places=2, allow_null=True)
    currency = serializers.CharField(allow_blank=True)
    not_computed = serializers.DictField(child=serializers.CharField())


def sheet_of(lines: list[LineSpec]) -> dict[str, Any]:
    """What lines make, as the answer has it."""
    parts = [(line.material, line.fraction) for line in lines]
    made, conducting, cost = selectors.composed(lines), selectors.conducting_of(parts), selectors.cost_of(parts)
    why = {"density": made.why, "conductivity": conducting.why, "cost": cost.why}
    return {
        "lines": [_sheet_line(line) for line in made.lines],
        "total": made.total / 100,
        "density": made.density,
        "conductivity_least": conducting.low,
        "conductivity_most": conducting.high,
        "cost_per_kg": cost.per_kg,
        "currency": cost.currency,
        "not_computed": {name: words for name, words in why.items() if words},
    }


def _sheet_line(line: Any) -> dict[str, Any]:
    share = line.volume_percent
    return {
        "material": line.row.material.code,
        "fraction": line.row.fraction,
        "parts_per_hundred": line.parts_per_hundred,
        "volume_fraction": None if share is None else share / 100,
    }


def lines_of(user: Any, rows: Iterable[dict[str, Any]]) -> list[LineSpec]:
    """Lines as the service takes them, on whatever basis they were sent."""
    kept = list(rows)
    typed = [_typed(get_material_for(user, row["material"]["code"]), row) for row in kept]
    return [
        LineSpec(material, fraction, row["tolerance"], row["outer_tolerance"])
        for row, (material, _, _), fraction in zip(kept, typed, selectors.mass_fractions_of(typed), strict=True)
    ]


def _typed(material: Any, row: dict[str, Any]) -> tuple[Any, str, Decimal]:
    if "fraction" in row:
        return material, "mass", row["fraction"] * 100
    return material, row["basis"], row.get("amount", Decimal(0))


def steps_of(rows: Iterable[dict[str, Any]]) -> list[StepSpec]:
    """Steps as the service takes them."""
    return [StepSpec(**row) for row in rows]


class CopySerializer(serializers.Serializer[Any]):
    """The name of the new formulation, what it is for, why."""

    name = serializers.CharField(max_length=200)
    purpose = serializers.CharField(allow_blank=True, default="")
    reason = serializers.CharField(allow_blank=True, default="")


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


class Copy(View):
    """A new formulation as a copy of a version."""

    rights = {"POST": "formulation.create"}

    @extend_schema(
        operation_id="formulation_copy",
        request=CopySerializer,
        responses=answers(VersionSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user: Any = request.user
        content = valid(CopySerializer(data=request.data))
        origin = selectors.get_version_for(user, code)
        made = once(self.key, services.copy_formulation)(origin, actor=user, **content)
        return Response(VersionSerializer(selectors.get_version_for(user, made.code)).data, status=201)


class Sheet(View):
    """What lines make, on whatever basis they are sent; nothing is stored."""

    rights = {"POST": "recipe.read"}

    @extend_schema(
        operation_id="formulation_sheet",
        request=ComputedSheetRequestSerializer,
        responses=answers(ComputedSheetSerializer),
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(ComputedSheetRequestSerializer(data=request.data))
        return Response(ComputedSheetSerializer(sheet_of(lines_of(user, content["lines"]))).data)


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
    path("formulations/sheet/", Sheet.as_view(), name="api-formulation-sheet"),
    path("formulations/<path:code>/copy/", Copy.as_view(), name="api-formulation-copy"),
    *FORMULATION.paths(),
    path("formulations/<path:code>/", Formulation.as_view(), name="api-formulation"),
]
