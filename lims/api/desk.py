"""The receiving desk: symbols, made lots, size distributions, kinship, sheets, what must not meet, places."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, answers, mass_field
from lims.api.base import View, valid
from lims.api.lots import LotDetailSerializer
from lims.core.quantities import mass_in_kg
from lims.files.services import store_file
from lims.materials import selectors, services

PARSERS = (JSONParser, MultiPartParser, FormParser)


def _stored(file: Any, user: Any) -> Any:
    """The file of a request, kept; None where none came."""
    return store_file(file, name=file.name, media_type=file.content_type or "", by=user) if file else None


class SymbolRequestSerializer(serializers.Serializer[Any]):
    """A supplier's symbol as a scanner gives it; the group separator as itself, as ␝ or as {GS}."""

    symbol = serializers.CharField(max_length=400, trim_whitespace=False)


class SymbolSerializer(serializers.Serializer[Any]):
    """What a supplier's symbol says; `mass` net in kg; material and supplier where the product code is known."""

    gtin = serializers.CharField()
    lot = serializers.CharField()
    serial = serializers.CharField()
    made_on = serializers.DateField(allow_null=True)
    expires_on = serializers.DateField(allow_null=True)
    mass = mass_field(allow_null=True)
    material = serializers.CharField(allow_null=True, default=None)
    supplier = serializers.CharField(allow_null=True, default=None)


class Symbols(View):
    """Suppliers' symbols; nothing is kept by reading one."""

    rights = {"POST": "lot.receive"}

    @extend_schema(operation_id="symbol_read", request=SymbolRequestSerializer, responses=answers(SymbolSerializer))
    def post(self, request: Request) -> Response:
        symbol = selectors.symbol_in(valid(SymbolRequestSerializer(data=request.data))["symbol"])
        known = selectors.product_called(symbol.gtin) if symbol.gtin else None
        codes = {"material": known.material.code, "supplier": known.supplier.code} if known else {}
        names = ("gtin", "lot", "serial", "made_on", "expires_on", "mass")
        return Response(SymbolSerializer({name: getattr(symbol, name) for name in names} | codes).data)


class PartSerializer(serializers.Serializer[Any]):
    """A lot that goes in; `mass` in `unit`."""

    lot = serializers.CharField()
    mass = mass_field()
    unit = serializers.CharField()


class MakeSerializer(serializers.Serializer[Any]):
    """A lot made of lots: one is split, one or more are treated, two or more blended; `yielded` in `unit` came out."""

    origin = serializers.ChoiceField(choices=["split", "blend", "treatment"])
    parts = PartSerializer(many=True, allow_empty=False)
    how = serializers.CharField(required=False, allow_blank=True, default="")
    material = serializers.CharField(required=False, allow_blank=True, default="", help_text="What it is now; a code.")
    yielded = mass_field(required=False, allow_null=True)
    unit = serializers.CharField(required=False, default="g")
    location = serializers.CharField(required=False, allow_blank=True, max_length=120)
    storage = serializers.CharField(required=False, allow_blank=True, max_length=120)
    containers = serializers.IntegerField(required=False, min_value=1, max_value=500)
    expires_on = serializers.DateField(required=False, allow_null=True)
    retest_on = serializers.DateField(required=False, allow_null=True)
    in_use_days = serializers.IntegerField(required=False, allow_null=True, min_value=1)
    remarks = serializers.CharField(required=False, allow_blank=True)


class MadeLots(View):
    """Lots made of lots, in quarantine until quality decides."""

    rights = {"POST": "lot.split"}

    @extend_schema(
        operation_id="lot_make", request=MakeSerializer, responses=answers(LotDetailSerializer, 201), parameters=[KEY]
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(MakeSerializer(data=request.data))
        parts = [
            services.Part(selectors.get_lot_for(user, part["lot"]), mass_in_kg(part["mass"], unit=part["unit"]))
            for part in content.pop("parts")
        ]
        made = _made(user, parts, content, key=self.key)
        return Response(LotDetailSerializer(selectors.get_lot_for(user, made.code)).data, status=201)


def _made(user: Any, parts: list[services.Part], content: dict[str, Any], *, key: str | None) -> Any:
    origin, how, code = content.pop("origin"), content.pop("how"), content.pop("material")
    unit, yielded = content.pop("unit"), content.pop("yielded", None)
    if origin == "split":
        first = parts[0]
        return once(key, services.split_lot)(first.lot, actor=user, mass=first.mass, **content)
    act: Any = services.blend_lots if origin == "blend" else services.treat_lot
    came_out = mass_in_kg(yielded, unit=unit, field="yielded") if yielded is not None else None
    if origin == "treatment" and came_out is None:
        came_out = sum((part.mass for part in parts), Decimal(0))
    material = selectors.get_material_for(user, code) if code else None
    return once(key, act)(parts, actor=user, how=how, yielded=came_out, material=material, **content)


class KinSerializer(serializers.Serializer[Any]):
    """A lot of the same descent; `depth` 1 is a parent or a child."""

    code = serializers.CharField()
    material = serializers.CharField(source="lot.material.code")
    state = serializers.CharField(source="lot.state")
    depth = serializers.IntegerField()


class KinshipSerializer(serializers.Serializer[Any]):
    """All that a lot comes from, and all that was made of it, in any depth."""

    ancestors = KinSerializer(many=True)
    descendants = KinSerializer(many=True)


class Kinship(View):
    """The descent of one lot."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="lot_kin", responses=answers(KinshipSerializer))
    def get(self, request: Request, code: str) -> Response:
        found = selectors.get_lot_for(request.user, code)  # type: ignore[arg-type]
        kin = {"ancestors": selectors.ancestors_of(found), "descendants": selectors.descendants_of(found)}
        return Response(KinshipSerializer(kin).data)


class SizesRequestSerializer(serializers.Serializer[Any]):
    """A size distribution: `table` as text of two columns, size and amount, or a CSV or XLSX `file` of the same."""

    table = serializers.CharField(required=False, allow_blank=True, trim_whitespace=False)
    file = serializers.FileField(required=False, write_only=True)
    form = serializers.ChoiceField(choices=["below", "classes"], default="below")
    basis = serializers.ChoiceField(choices=["volume", "number"], default="volume")
    unit = serializers.ChoiceField(choices=["", "um", "nm", "mm"], default="", allow_blank=True)
    source = serializers.ChoiceField(choices=["own", "supplier"], default="own")  # type: ignore[assignment]
    method = serializers.CharField(max_length=200)
    remarks = serializers.CharField(required=False, allow_blank=True)
    as_results = serializers.BooleanField(default=False)


class SizesSerializer(serializers.Serializer[Any]):
    """A size distribution and what it says, in m; means and quantiles are by volume."""

    id = serializers.IntegerField(source="row.pk")
    source = serializers.CharField(source="row.source")  # type: ignore[assignment]
    form = serializers.CharField(source="row.form")
    basis = serializers.CharField(source="row.basis")
    method = serializers.CharField(source="row.method")
    sizes = serializers.ListField(child=serializers.FloatField(), source="row.sizes")
    amounts = serializers.ListField(child=serializers.FloatField(), source="row.amounts")
    d10 = serializers.FloatField(source="sizes.d10")
    d50 = serializers.FloatField(source="sizes.d50")
    d90 = serializers.FloatField(source="sizes.d90")
    d43 = serializers.FloatField(source="sizes.d43")
    d32 = serializers.FloatField(source="sizes.d32")
    open_share = serializers.FloatField(source="sizes.open_share")
    file_sha256 = serializers.CharField(source="row.file.sha256", default=None, allow_null=True)
    by = serializers.CharField(source="row.by.username")
    at = serializers.DateTimeField(source="row.at")


class SizeDistributions(View):
    """The whole size distributions of one lot."""

    rights = {"GET": "laboratory.read", "POST": "lot.add_sizes"}
    parser_classes = PARSERS

    @extend_schema(operation_id="lot_sizes", responses=answers(SizesSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        found = selectors.get_lot_for(request.user, code)  # type: ignore[arg-type]
        return Response(SizesSerializer(selectors.distributions_of(found), many=True).data)

    @extend_schema(
        operation_id="lot_add_sizes",
        request=SizesRequestSerializer,
        responses=answers(SizesSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user: Any = request.user
        content = valid(SizesRequestSerializer(data=request.data))
        found, file = selectors.get_lot_for(user, code), _stored(content.pop("file", None), user)
        row = once(self.key, services.add_size_distribution)(found, actor=user, file=file, **content)
        made = next(one for one in selectors.distributions_of(found) if one.row.pk == row.pk)
        return Response(SizesSerializer(made).data, status=201)


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


class SheetRequestSerializer(SheetSerializer):
    """A sheet; with `lot` it is that lot's own; `file_sha256` names a stored file."""

    supplier = serializers.CharField(required=False, allow_blank=True, default="")
    lot = serializers.CharField(required=False, allow_blank=True, default="")


class Sheets(View):
    """The safety data sheets of one material, newest first."""

    rights = {"GET": "laboratory.read", "POST": "material.add_sheet"}

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
        supplier, lot = content.pop("supplier"), content.pop("lot")
        row = once(self.key, services.add_safety_sheet)(
            selectors.get_material_for(user, code),
            actor=user,
            supplier=selectors.get_supplier_for(user, supplier) if supplier else None,
            lot=selectors.get_lot_for(user, lot) if lot else None,
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


class PlaceRequestSerializer(serializers.Serializer[Any]):
    """A storage place."""

    name = serializers.CharField(max_length=120)
    condition = serializers.CharField(max_length=120)
    remarks = serializers.CharField(required=False, allow_blank=True, default="")


class PlaceSerializer(PlaceRequestSerializer):
    """One storage place."""

    code = serializers.CharField()


class Places(View):
    """Storage places."""

    rights = {"GET": "laboratory.read", "POST": "place.create"}

    @extend_schema(operation_id="places", responses=answers(PlaceSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(selectors.places(), PlaceSerializer)

    @extend_schema(
        operation_id="place_create",
        request=PlaceRequestSerializer,
        responses=answers(PlaceSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content: Any = valid(PlaceRequestSerializer(data=request.data))
        made = once(self.key, services.create_place)(actor=request.user, **content)  # type: ignore[arg-type]
        return Response(PlaceSerializer(made).data, status=201)


class Place(View):
    """One storage place."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="place", responses=answers(PlaceSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(PlaceSerializer(selectors.get_place_for(request.user, code)).data)  # type: ignore[arg-type]


urlpatterns = [
    path("symbols/", Symbols.as_view(), name="api-symbols"),
    path("lots/made/", MadeLots.as_view(), name="api-lots-made"),
    path("lots/<str:code>/kin/", Kinship.as_view(), name="api-lot-kin"),
    path("lots/<str:code>/sizes/", SizeDistributions.as_view(), name="api-lot-sizes"),
    path("materials/<str:code>/sheets/", Sheets.as_view(), name="api-material-sheets"),
    path("materials/<str:code>/incompatible/", Incompatible.as_view(), name="api-material-incompatible"),
    path(
        "materials/<str:code>/incompatible/<int:number>/",
        IncompatibleOne.as_view(),
        name="api-material-incompatible-one",
    ),
    path("meetings/", Meetings.as_view(), name="api-meetings"),
    path("places/", Places.as_view(), name="api-places"),
    path("places/<str:code>/", Place.as_view(), name="api-place"),
]
