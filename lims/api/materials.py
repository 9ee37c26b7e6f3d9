"""Materials and suppliers."""

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
from lims.materials import selectors, services
from lims.materials.kinds import KINDS

TEXT = OpenApiParameter("text", str, description="A part of the name, or a code.")


class HazardSerializer(serializers.Serializer[Any]):
    """One hazard: its code where it has one, and its words."""

    code = serializers.CharField(allow_blank=True, default="")
    text = serializers.CharField(allow_blank=True, default="")


class MaterialRequestSerializer(serializers.Serializer[Any]):
    """What is known of a material, in SI units: kg/m3, W/(m K); `_u` are standard uncertainties."""

    name = serializers.CharField(max_length=200)
    kind = serializers.ChoiceField(choices=list(KINDS))
    density = serializers.FloatField(allow_null=True, required=False)
    density_u = serializers.FloatField(allow_null=True, required=False)
    conductivity = serializers.FloatField(allow_null=True, required=False)
    conductivity_u = serializers.FloatField(allow_null=True, required=False)
    conductivity_source = serializers.CharField(allow_blank=True, required=False)
    shape = serializers.CharField(allow_blank=True, required=False)
    hazards = HazardSerializer(many=True, required=False)
    hazards_source = serializers.CharField(allow_blank=True, required=False)
    remarks = serializers.CharField(allow_blank=True, required=False)
    price = serializers.DecimalField(
        max_digits=12,
        decimal_places=4,
        allow_null=True,
        required=False,
        help_text="Per kg; shown to those who read recipes.",
    )
    currency = serializers.CharField(max_length=3, allow_blank=True, required=False, help_text="ISO 4217: EUR")


class MaterialChangeSerializer(MaterialRequestSerializer):
    """What changes of a material, and the version that was read."""

    name = serializers.CharField(max_length=200, required=False)
    kind = serializers.ChoiceField(choices=list(KINDS), required=False)
    version = serializers.IntegerField(required=False)
    reason = serializers.CharField(required=False, allow_blank=True)


class MaterialSerializer(MaterialRequestSerializer):
    """One material."""

    code = serializers.CharField()
    version = serializers.IntegerField()
    cautions = serializers.ListField(child=serializers.CharField(), source="caution_keys")

    def to_representation(self, instance: Any) -> Any:
        """Without the price for those who may not read recipes."""
        shown = super().to_representation(instance)
        if not self.context["request"].user.may("recipe.read"):
            del shown["price"], shown["currency"]
        return shown


class SupplierRequestSerializer(serializers.Serializer[Any]):
    """A supplier's name."""

    name = serializers.CharField(max_length=200)
    remarks = serializers.CharField(allow_blank=True, default="")


class SupplierSerializer(SupplierRequestSerializer):
    """One supplier."""

    code = serializers.CharField()
    approved = serializers.BooleanField()
    evaluated_on = serializers.DateField(allow_null=True)
    evaluate_again_on = serializers.DateField(allow_null=True)


class SupplierDetailSerializer(SupplierSerializer):
    """One supplier with the materials it is approved for by name."""

    approved_for = serializers.SerializerMethodField(help_text="Codes of the materials it is approved for by name.")

    def get_approved_for(self, supplier: Any) -> list[str]:
        return [s.material.code for s in selectors.standings_of(supplier) if s.material and s.approved]


class ApproveSupplierSerializer(ReasonSerializer):
    """The grounds of an approval, for all that is delivered or for one `material`, and when to evaluate again."""

    material = serializers.CharField(required=False, allow_blank=True, default="")
    criteria = serializers.CharField(required=False, allow_blank=True, default="")
    evaluate_again_on = serializers.DateField(required=False, allow_null=True)


class Materials(View):
    """Materials of the laboratory."""

    rights = {"GET": "laboratory.read", "POST": "material.create"}

    @extend_schema(operation_id="materials", parameters=[TEXT], responses=answers(MaterialSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(selectors.materials(text=request.query_params.get("text", "")), MaterialSerializer)

    @extend_schema(
        operation_id="material_create",
        request=MaterialRequestSerializer,
        responses=answers(MaterialSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content: Any = valid(MaterialRequestSerializer(data=request.data))
        made = once(self.key, services.create_material)(actor=request.user, **content)  # type: ignore[arg-type]
        return Response(MaterialSerializer(made, context={"request": request}).data, status=201)


class Material(View):
    """One material."""

    rights = {"GET": "laboratory.read", "PATCH": "material.change"}

    @extend_schema(operation_id="material", responses=answers(MaterialSerializer))
    def get(self, request: Request, code: str) -> Response:
        found = selectors.get_material_for(request.user, code)  # type: ignore[arg-type]
        return Response(MaterialSerializer(found, context={"request": request}).data)

    @extend_schema(
        operation_id="material_change", request=MaterialChangeSerializer, responses=answers(MaterialSerializer)
    )
    def patch(self, request: Request, code: str) -> Response:
        content: Any = valid(MaterialChangeSerializer(data=request.data))
        found = selectors.get_material_for(request.user, code)  # type: ignore[arg-type]
        changed = services.change_material(found, actor=request.user, **content)  # type: ignore[arg-type]
        return Response(MaterialSerializer(changed, context={"request": request}).data)


class Suppliers(View):
    """Suppliers."""

    rights = {"GET": "laboratory.read", "POST": "supplier.create"}

    @extend_schema(operation_id="suppliers", parameters=[TEXT], responses=answers(SupplierSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(selectors.suppliers(text=request.query_params.get("text", "")), SupplierSerializer)

    @extend_schema(
        operation_id="supplier_create",
        request=SupplierRequestSerializer,
        responses=answers(SupplierSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content: Any = valid(SupplierRequestSerializer(data=request.data))
        made = once(self.key, services.create_supplier)(actor=request.user, **content)  # type: ignore[arg-type]
        return Response(SupplierSerializer(made).data, status=201)


class Supplier(View):
    """One supplier."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="supplier", responses=answers(SupplierDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(SupplierDetailSerializer(selectors.get_supplier_for(request.user, code)).data)  # type: ignore[arg-type]


class WithdrawSupplierSerializer(ReasonSerializer):
    """Why an approval is taken back, for all that is delivered or for one `material`."""

    material = serializers.CharField(required=False, allow_blank=True, default="")


def _for_material(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    code = content.pop("material")
    return content | {"material": selectors.get_material_for(user, code) if code else None}


SUPPLIER = RecordRoutes(
    "supplier",
    "suppliers",
    selectors.get_supplier_for,
    SupplierDetailSerializer,
    (
        RouteAct("approve", "supplier.approve", services.approve_supplier, ApproveSupplierSerializer, _for_material),
        RouteAct(
            "withdraw",
            "supplier.approve",
            services.withdraw_supplier_approval,
            WithdrawSupplierSerializer,
            _for_material,
        ),
    ),
)

urlpatterns = [
    path("materials/", Materials.as_view(), name="api-materials"),
    path("materials/<str:code>/", Material.as_view(), name="api-material"),
    path("suppliers/", Suppliers.as_view(), name="api-suppliers"),
    *SUPPLIER.paths(),
    path("suppliers/<str:code>/", Supplier.as_view(), name="api-supplier"),
]
