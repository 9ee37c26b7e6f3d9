"""Lots: receive, test, read what is left."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import (
    CASE_ACTS,
    KEY,
    DecideSerializer,
    ReasonSerializer,
    RecordRoutes,
    RecordSerializer,
    RouteAct,
    SignedSerializer,
    answers,
    mass_field,
)
from lims.api.base import View, valid
from lims.api.conceding import concession_routes
from lims.core.errors import Invalid
from lims.core.quantities import mass_in_kg
from lims.files.services import store_file
from lims.materials import selectors, services
from lims.materials.kinds import PROPERTIES
from lims.materials.states import LotState
from lims.quality import services as quality

FILTERS = [
    OpenApiParameter("text", str, description="A code, the start of a supplier's lot number, a part of a material."),
    OpenApiParameter("state", str, enum=[*LotState.values, selectors.EXPIRED]),
    OpenApiParameter("material", str, description="A material's code."),
]


class LotRequestSerializer(serializers.Serializer[Any]):
    """A delivery; `mass` in `unit`. The certificate comes as a file of the same form, or not at all."""

    material = serializers.CharField()
    supplier = serializers.CharField(required=False, allow_blank=True, default="")
    supplier_lot = serializers.CharField(max_length=80)
    mass = mass_field()
    unit = serializers.CharField()
    received_on = serializers.DateField(required=False)
    containers = serializers.IntegerField(min_value=1, default=1)
    storage = serializers.CharField(max_length=120)
    location = serializers.CharField(max_length=120)
    retest_on = serializers.DateField(required=False, allow_null=True)
    expires_on = serializers.DateField(required=False, allow_null=True)
    in_use_days = serializers.IntegerField(required=False, allow_null=True, min_value=1)
    serial = serializers.CharField(required=False, allow_blank=True, max_length=40)
    made_on = serializers.DateField(required=False, allow_null=True)
    gtin = serializers.CharField(
        required=False, allow_blank=True, help_text="The product code on the container; it is remembered."
    )
    remarks = serializers.CharField(required=False, allow_blank=True)
    certificate = serializers.FileField(required=False, write_only=True)


class ResultSerializer(serializers.Serializer[Any]):
    """One value of a lot in its SI unit."""

    id = serializers.IntegerField()
    quantity = serializers.CharField()
    value = serializers.FloatField()
    u = serializers.FloatField(allow_null=True)
    dof = serializers.FloatField(allow_null=True)
    unit = serializers.SerializerMethodField()
    as_entered = serializers.CharField()
    method = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    entered_by = serializers.CharField(source="entered_by.username")
    entered_at = serializers.DateTimeField()
    replaces = serializers.IntegerField(source="replaces_id", allow_null=True)
    reason = serializers.CharField()

    def get_unit(self, row: Any) -> str:
        return selectors.si_unit_of(row)


class LotSerializer(RecordSerializer):
    """One lot; masses in kg."""

    material = serializers.CharField(source="material.code")
    material_name = serializers.CharField(source="material.name")
    supplier = serializers.CharField(source="supplier.code", default=None, allow_null=True)
    supplier_lot = serializers.CharField()
    expired = serializers.BooleanField()
    on_hand = mass_field()
    reserved = mass_field()
    free = mass_field()
    origin = serializers.CharField()
    serial = serializers.CharField()
    made_on = serializers.DateField(allow_null=True)
    received_on = serializers.DateField()
    received_by = serializers.CharField(source="received_by.username")
    containers = serializers.IntegerField()
    storage = serializers.CharField()
    location = serializers.CharField()
    retest_on = serializers.DateField(allow_null=True)
    expires_on = serializers.DateField(allow_null=True)
    opened_on = serializers.DateField(allow_null=True)
    in_use_days = serializers.IntegerField(allow_null=True)
    retest_due = serializers.BooleanField()
    usable_until = serializers.DateField(allow_null=True)
    quarantine_reason = serializers.CharField()


class LotDetailSerializer(LotSerializer):
    """One lot with its results, its parents and children, its hazards and its certificate's digest."""

    parents = serializers.SerializerMethodField()
    children = serializers.SerializerMethodField()
    made_how = serializers.CharField()
    hazards = serializers.ListField(child=serializers.DictField(child=serializers.CharField()))
    safety_sheet_source = serializers.CharField(source="safety_sheet.source", default=None, allow_null=True)
    certificate_sha256 = serializers.CharField(source="certificate.sha256", default=None, allow_null=True)
    results = ResultSerializer(many=True, source="properties.all")

    def get_parents(self, lot: Any) -> list[str]:
        return [parent.code for parent in lot.parents.all()]

    def get_children(self, lot: Any) -> list[str]:
        return [child.code for child in lot.children.all()]


class ResultRequestSerializer(serializers.Serializer[Any]):
    """One measured value; `value` and `u` (standard) in `unit`."""

    quantity = serializers.ChoiceField(choices=list(PROPERTIES))
    value = serializers.FloatField()
    unit = serializers.CharField(allow_blank=True)
    u = serializers.FloatField(required=False, allow_null=True)
    dof = serializers.FloatField(required=False, allow_null=True)
    method = serializers.CharField(required=False, allow_blank=True, max_length=120)
    source = serializers.ChoiceField(choices=["own", "supplier"], default="own")  # type: ignore[assignment]


class StockSerializer(ReasonSerializer):
    """A correction of the stock; `mass` in `unit`, negative for less."""

    mass = mass_field()
    unit = serializers.CharField()


class GiveBackSerializer(ReasonSerializer):
    """The batch that stock is kept for, and why it is given back."""

    cause = serializers.CharField()


class MoveSerializer(serializers.Serializer[Any]):
    """Where a lot is put: a place's code or name, or words."""

    location = serializers.CharField(max_length=120)
    storage = serializers.CharField(required=False, allow_blank=True, max_length=120, default="")
    reason = serializers.CharField(required=False, allow_blank=True, default="")


class OpenSerializer(serializers.Serializer[Any]):
    """The day on which a lot was first opened."""

    opened_on = serializers.DateField()


class LifeSerializer(SignedSerializer):
    """A longer life: good until `expires_on`, on our own results (their ids) entered since the last release."""

    expires_on = serializers.DateField()
    retest_on = serializers.DateField(required=False, allow_null=True, default=None)
    results = serializers.ListField(child=serializers.IntegerField(), allow_empty=True)


def _life(lot: Any, *, actor: Any, key: str | None = None, **content: Any) -> Any:
    """Sign a longer life of a lot on results of a retest; without one it is refused."""
    offered = {row.pk: row for row in selectors.retest_results(lot)}
    unknown = [number for number in content["results"] if number not in offered]
    if unknown:
        words = f"{unknown[0]} is no result of our own on {lot.code} that a longer life can rest on."
        raise Invalid(words, code="no-retest-result", fields={"results": [words]})
    results = tuple(offered[number] for number in content.pop("results"))
    life = services.NewLife(content.pop("expires_on"), content.pop("retest_on"), results)
    return once(key, quality.extend_lot_life)(lot, actor=actor, life=life, **content)


class Lots(View):
    """Lots of the laboratory."""

    rights = {"GET": "laboratory.read", "POST": "lot.receive"}
    parser_classes = (JSONParser, MultiPartParser, FormParser)

    @extend_schema(operation_id="lots", parameters=FILTERS, responses=answers(LotSerializer(many=True)))
    def get(self, request: Request) -> Response:
        asked = {name: request.query_params.get(name, "") for name in ("text", "state", "material")}
        return self.page(selectors.lots(**asked), LotSerializer)

    @extend_schema(
        operation_id="lot_receive",
        request=LotRequestSerializer,
        responses=answers(LotDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(LotRequestSerializer(data=request.data))
        file, supplier = content.pop("certificate", None), content.pop("supplier")
        made = once(self.key, services.receive_lot)(
            actor=user,
            material=selectors.get_material_for(user, content.pop("material")),
            supplier=selectors.get_supplier_for(user, supplier) if supplier else None,
            mass=mass_in_kg(content.pop("mass"), unit=content.pop("unit"), field="unit"),
            certificate=store_file(file, name=file.name, media_type=file.content_type, by=user) if file else None,
            **content,
        )
        return Response(LotDetailSerializer(selectors.get_lot_for(user, made.code)).data, status=201)


class Lot(View):
    """One lot."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="lot", responses=answers(LotDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(LotDetailSerializer(selectors.get_lot_for(request.user, code)).data)  # type: ignore[arg-type]


def _stock(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    return {"mass": mass_in_kg(content["mass"], unit=content["unit"], field="unit"), "reason": content["reason"]}


LOT = RecordRoutes(
    "lot",
    "lots",
    selectors.get_lot_for,
    LotDetailSerializer,
    (
        RouteAct("start-test", "lot.start_test", services.start_lot_test),
        RouteAct("results", "lot.add_result", quality.record_lot_result, ResultRequestSerializer),
        RouteAct("adjust-stock", "lot.adjust_stock", services.adjust_stock, StockSerializer, _stock),
        RouteAct("give-back", "lot.give_back", services.give_back_stock, GiveBackSerializer),
        RouteAct("move", "lot.move", services.move_lot, MoveSerializer),
        RouteAct("open", "lot.open", services.open_lot, OpenSerializer),
        RouteAct("extend-life", "lot.extend_life", _life, LifeSerializer),
        RouteAct("release", "lot.release", quality.release_lot, DecideSerializer),
        RouteAct("reject", "lot.reject", quality.reject_lot, SignedSerializer),
        RouteAct("withdraw-release", "lot.withdraw_release", quality.withdraw_lot_release, SignedSerializer),
        RouteAct("reassess", "lot.reassess", services.reassess_lot, ReasonSerializer),
        RouteAct("dispose", "lot.dispose", services.dispose_lot, ReasonSerializer),
        RouteAct("void", "lot.void", services.void_lot, ReasonSerializer),
        *concession_routes("lot", quality.propose_lot_concession, quality.approve_lot_concession),
        *CASE_ACTS,
    ),
)

urlpatterns = [
    path("lots/", Lots.as_view(), name="api-lots"),
    *LOT.paths(),
    path("lots/<str:code>/", Lot.as_view(), name="api-lot"),
]
