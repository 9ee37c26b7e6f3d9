"""Safety data sheets, what must not meet, and where it does."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, answers
from lims.api.base import View, valid
from lims.files.services import store_file
from lims.materials import selectors, services


class StatementSerializer(serializers.Serializer[Any]):
    """One statement of a sheet: its code where it has one, and its words."""

    code = serializers.CharField(allow_blank=True, default="")
    text = serializers.CharField(allow_blank=True, default="")


class SheetSerializer(serializers.Serializer[Any]):
    """What a safety data sheet says, typed from it."""

    source = serializers.CharField(max_length=200)  # type: ignore[assignment]
    statements = StatementSerializer(many=True)
    signal = serializers.ChoiceField(choices=["none", "warning", "danger"], default="none")
    pictograms = serializers.ListField(child=serializers.CharField(), default=list)
    issued_on = serializers.DateField(required=False, allow_null=True)
    supplier = serializers.CharField(source="supplier.code", required=False, allow_null=True, default=None)
    file_sha256 = serializers.CharField(source="file.sha256", read_only=True, default=None, allow_null=True)


class SheetRequestSerializer(SheetSerializer):
    """A sheet; with `lot` it is that lot's own. As a form, with its `file`, a statement is `statements[0]code`."""

    supplier = serializers.CharField(required=False, allow_blank=True, default="")
    lot = serializers.CharField(required=False, allow_blank=True, default="")
    file = serializers.FileField(required=False, write_only=True)


class Sheets(View):
    """The safety data sheets of one material, newest first."""

    rights = {"GET": "laboratory.read", "POST": "material.add_sheet"}
    parser_classes = (JSONParser, MultiPartParser, FormParser)

    @extend_schema(operation_id="material_sheets", responses=answers(SheetSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        found = selectors.get_material_for(request.user, code)  # type: ignore[arg-type]
        return Response(SheetSerializer(selectors.sheets_of(found), many=True).data)

    @extend_schema(
        operation_id="material_add_sheet",
        request=SheetRequestSerializer,
        responses=answers(SheetSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user: Any = request.user
        content: Any = valid(SheetRequestSerializer(data=request.data))
        supplier, lot, file = content.pop("supplier"), content.pop("lot"), content.pop("file", None)
        row = once(self.key, services.add_safety_sheet)(
            selectors.get_material_for(user, code),
            actor=user,
            supplier=selectors.get_supplier_for(user, supplier) if supplier else None,
            lot=selectors.get_lot_for(user, lot) if lot else None,
            file=store_file(file, name=file.name, media_type=file.content_type or "", by=user) if file else None,
            **content,
        )
        return Response(SheetSerializer(row).data, status=201)


class IncompatibleSerializer(serializers.Serializer[Any]):
    """What a material must not meet: another material, or a metal or surface in words; what happens; its source."""

    id = serializers.IntegerField(read_only=True)
    material = serializers.CharField(source="material.code", read_only=True)
    other = serializers.CharField(source="other.code", allow_null=True, required=False, default=None)
    surface = serializers.CharField(required=False, allow_blank=True, default="", max_length=60)
    effect = serializers.CharField(max_length=400)
    source = serializers.CharField(max_length=200)  # type: ignore[assignment]


class Incompatible(View):
    """What one material must not meet, as far as it is recorded."""

    rights = {"GET": "laboratory.read", "POST": "material.set_incompatible"}

    @extend_schema(operation_id="material_incompatible", responses=answers(IncompatibleSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        found = selectors.get_material_for(request.user, code)  # type: ignore[arg-type]
        return Response(IncompatibleSerializer(selectors.incompatibilities_of(found), many=True).data)

    @extend_schema(
        operation_id="material_set_incompatible",
        request=IncompatibleSerializer,
        responses=answers(IncompatibleSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user: Any = request.user
        content = valid(IncompatibleSerializer(data=request.data))
        other = (content.pop("other", None) or {}).get("code")
        row = once(self.key, services.set_incompatible)(
            selectors.get_material_for(user, code),
            actor=user,
            other=selectors.get_material_for(user, other) if other else None,
            **content,
        )
        return Response(IncompatibleSerializer(row).data, status=201)


class IncompatibleOne(View):
    """One record of what a material must not meet."""

    rights = {"DELETE": "material.set_incompatible"}

    @extend_schema(
        operation_id="material_withdraw_incompatible", request=ReasonSerializer, responses=answers(None, 204)
    )
    def delete(self, request: Request, code: str, number: int) -> Response:
        user: Any = request.user
        reason = valid(ReasonSerializer(data=request.data))["reason"]
        row = selectors.get_incompatibility_of(selectors.get_material_for(user, code), number)
        services.withdraw_incompatible(row, actor=user, reason=reason)
        return Response(status=204)


class MeetingSerializer(serializers.Serializer[Any]):
    """Two that meet and must not."""

    first = serializers.CharField()
    second = serializers.CharField()
    effect = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


MEETING = [
    OpenApiParameter(
        "material", str, many=True, description="Codes of the materials that meet; give it several times."
    ),
    OpenApiParameter("surface", str, many=True, description="A metal or surface they meet, in words."),
]


class Meetings(View):
    """What is recorded against some materials meeting one another, or a metal or surface."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="meetings", parameters=MEETING, responses=answers(MeetingSerializer(many=True)))
    def get(self, request: Request) -> Response:
        user: Any = request.user
        named = request.query_params.getlist("material")[:200]
        here = [selectors.get_material_for(user, code) for code in named]
        found = selectors.warnings_between(here, surfaces=request.query_params.getlist("surface")[:50])
        return Response(MeetingSerializer(found, many=True).data)


urlpatterns = [
    path("materials/<str:code>/sheets/", Sheets.as_view(), name="api-material-sheets"),
    path("materials/<str:code>/incompatible/", Incompatible.as_view(), name="api-material-incompatible"),
    path(
        "materials/<str:code>/incompatible/<int:number>/",
        IncompatibleOne.as_view(),
        name="api-material-incompatible-one",
    ),
    path("meetings/", Meetings.as_view(), name="api-meetings"),
]
