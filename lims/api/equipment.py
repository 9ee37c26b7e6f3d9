"""Equipment at the bench: take in, calibrate, in and out of service."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, RecordRoutes, RouteAct, answers, mass_field
from lims.api.base import View, valid
from lims.core.quantities import mass_in_kg
from lims.files.services import store_file
from lims.formulations import selectors, services

FILTERS = [
    OpenApiParameter("text", str, description="A code, a part of the name or of the serial number."),
    OpenApiParameter("kind", str, enum=[value for value, _ in selectors.EQUIPMENT_KINDS]),
]


class BenchEquipmentFactsSerializer(serializers.Serializer[Any]):
    """What is known of a piece of equipment."""

    name = serializers.CharField(max_length=120)
    kind = serializers.ChoiceField(choices=selectors.EQUIPMENT_KINDS)
    maker = serializers.CharField(max_length=120, required=False, allow_blank=True)
    type = serializers.CharField(max_length=120, required=False, allow_blank=True)
    serial = serializers.CharField(max_length=80, required=False, allow_blank=True)
    location = serializers.CharField(max_length=120, required=False, allow_blank=True)
    needs_calibration = serializers.BooleanField(default=True)


class BenchEquipmentRequestSerializer(BenchEquipmentFactsSerializer):
    """A piece of equipment; its code only where its label has one already. `resolution` of a balance, in `unit`."""

    code = serializers.CharField(required=False, allow_blank=True, max_length=20)
    resolution = mass_field(required=False, allow_null=True)
    unit = serializers.CharField(default="g")


class BenchCalibrationSerializer(serializers.Serializer[Any]):
    """One calibration as its certificate says."""

    performed_on = serializers.DateField()
    due = serializers.DateField()
    certificate = serializers.CharField()
    certificate_sha256 = serializers.CharField(source="file.sha256", default="")
    found = serializers.CharField()
    by = serializers.CharField(source="by.username")
    at = serializers.DateTimeField()


class BenchEquipmentSerializer(BenchEquipmentFactsSerializer):
    """One piece of equipment, and whether it may be used today; the resolution in kg."""

    code = serializers.CharField()
    state = serializers.CharField()
    state_reason = serializers.CharField()
    resolution = mass_field(allow_null=True)
    calibration_due = serializers.DateField(allow_null=True)
    may_be_used = serializers.SerializerMethodField()
    why_not = serializers.SerializerMethodField()

    def get_may_be_used(self, row: Any) -> bool:
        return not selectors.why_not_fit(row)

    def get_why_not(self, row: Any) -> str:
        return selectors.why_not_fit(row)


class BenchEquipmentDetailSerializer(BenchEquipmentSerializer):
    """One piece of equipment with its calibrations."""

    calibrations = serializers.SerializerMethodField()

    def get_calibrations(self, row: Any) -> list[dict[str, Any]]:
        return list(BenchCalibrationSerializer(selectors.calibrations_of(row), many=True).data)


class CalibrateEquipmentSerializer(serializers.Serializer[Any]):
    """A calibration; the certificate's file as multipart."""

    performed_on = serializers.DateField(required=False)
    due = serializers.DateField()
    certificate = serializers.CharField(max_length=120)
    found = serializers.CharField(max_length=400, required=False, allow_blank=True)
    file = serializers.FileField(required=False, allow_null=True)


class ServiceSerializer(ReasonSerializer):
    """In service or not, and why."""

    in_service = serializers.BooleanField()


class Equipment(View):
    """Equipment at the bench."""

    rights = {"GET": "laboratory.read", "POST": "equipment.keep"}

    @extend_schema(
        operation_id="equipment_list", parameters=FILTERS, responses=answers(BenchEquipmentSerializer(many=True))
    )
    def get(self, request: Request) -> Response:
        asked = {name: request.query_params.get(name, "") for name in ("text", "kind")}
        return self.page(selectors.equipment(**asked), BenchEquipmentSerializer)

    @extend_schema(
        operation_id="equipment_add",
        request=BenchEquipmentRequestSerializer,
        responses=answers(BenchEquipmentDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content = valid(BenchEquipmentRequestSerializer(data=request.data))
        unit, shown = content.pop("unit"), content.get("resolution")
        if shown is not None:
            content["resolution"] = mass_in_kg(shown, unit=unit, field="unit")
        user: Any = request.user
        made = once(self.key, services.add_equipment)(actor=user, **content)
        return Response(BenchEquipmentDetailSerializer(made).data, status=201)


class OneEquipment(View):
    """One piece of equipment."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="equipment", responses=answers(BenchEquipmentDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(BenchEquipmentDetailSerializer(selectors.get_equipment_for(user, code)).data)


class CalibrateEquipment(View):
    """Enter a calibration of a piece of equipment."""

    rights = {"POST": "equipment.keep"}
    parser_classes = (JSONParser, MultiPartParser, FormParser)

    @extend_schema(
        operation_id="equipment_calibrate",
        request=CalibrateEquipmentSerializer,
        responses=answers(BenchEquipmentDetailSerializer),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user: Any = request.user
        found = selectors.get_equipment_for(user, code)
        content = valid(CalibrateEquipmentSerializer(data=request.data))
        if sent := content.pop("file", None):
            content["file"] = store_file(sent, name=sent.name, media_type=sent.content_type, by=user)
        made = once(self.key, services.note_calibration)(found, actor=user, **content)
        return Response(BenchEquipmentDetailSerializer(made).data)


EQUIPMENT = RecordRoutes(
    "equipment",
    "equipment",
    selectors.get_equipment_for,
    BenchEquipmentDetailSerializer,
    (RouteAct("set-service", "equipment.keep", services.set_service, ServiceSerializer),),
)

urlpatterns = [
    path("equipment/", Equipment.as_view(), name="api-equipment-list"),
    path("equipment/<str:code>/calibrate/", CalibrateEquipment.as_view(), name="api-equipment-calibrate"),
    *EQUIPMENT.paths(),
    path("equipment/<str:code>/", OneEquipment.as_view(), name="api-equipment"),
]
