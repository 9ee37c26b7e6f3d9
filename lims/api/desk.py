"""The receiving desk: symbols, made lots, size distributions, kinship, places."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, answers, mass_field
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
    path("places/", Places.as_view(), name="api-places"),
    path("places/<str:code>/", Place.as_view(), name="api-place"),
]
