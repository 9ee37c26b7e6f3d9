"""Samples: register, hand over, split, retain, dispose; read where they are."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, RecordRoutes, RouteAct, answers, mass_field
from lims.api.base import View, valid
from lims.api.holds import HOLD_ACTS
from lims.core.quantities import mass_in_kg
from lims.rigs.selectors import get_block_for
from lims.runs.selectors.applications import counts_of_sample
from lims.runs.services.applications import permit_block
from lims.runs.services.blinding import lock_results, reveal_sample
from lims.samples import selectors, services
from lims.samples.services.custody import HANDLED
from lims.samples.states import SampleState

FILTERS = [
    OpenApiParameter("text", str, description="A code of a sample, a batch or a lot, or a part of a name."),
    OpenApiParameter("state", str, enum=SampleState.values),
    OpenApiParameter("series", str, description="Code of the first of the sheets cut together."),
    OpenApiParameter("origin", str, enum=[key for key, _ in selectors.ORIGINS]),
]


class SampleRequestSerializer(serializers.Serializer[Any]):
    """What is said when a sample is taken. `batch`, or `lot`, or neither for one from outside; `amount` in `unit`."""

    batch = serializers.CharField(required=False, allow_blank=True, default="")
    lot = serializers.CharField(required=False, allow_blank=True, default="")
    name = serializers.CharField(required=False, allow_blank=True, max_length=200)
    taken_at = serializers.DateTimeField(help_text="When it was taken, with offset.")
    amount = mass_field()
    unit = serializers.CharField()
    container = serializers.CharField(max_length=120)
    condition = serializers.CharField(max_length=200)
    location = serializers.CharField(max_length=120)
    material_kind = serializers.ChoiceField(choices=selectors.KINDS, required=False, allow_blank=True)
    reference = serializers.BooleanField(required=False)
    place = serializers.CharField(required=False, allow_blank=True, max_length=120)
    plan = serializers.CharField(required=False, allow_blank=True, max_length=200)
    storage = serializers.CharField(required=False, allow_blank=True, max_length=120)
    expires_on = serializers.DateField(required=False, allow_null=True)
    hold_limit_hours = serializers.FloatField(required=False, allow_null=True, min_value=0)
    equipment = serializers.CharField(required=False, allow_blank=True, max_length=200)
    deviations = serializers.CharField(required=False, allow_blank=True)
    into_custody = serializers.BooleanField(default=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["batch"] and attrs["lot"]:
            raise serializers.ValidationError({"lot": "A sample comes from a batch or from a lot, not from both."})
        if not attrs["batch"] and not attrs["lot"] and not attrs.get("name", "").strip():
            raise serializers.ValidationError({"name": "A sample from outside needs a name."})
        return attrs


class BlindSampleSerializer(SampleRequestSerializer):
    """A sample to be known by its code alone; what is said of name and origin is kept apart."""

    into_custody = None  # type: ignore[assignment]


class SheetSerializer(serializers.Serializer[Any]):
    """One sheet: mass in kg, thicknesses in m; a measured thickness with its standard uncertainty."""

    amount = serializers.DecimalField(max_digits=18, decimal_places=9)
    nominal = serializers.FloatField()
    measured = serializers.FloatField(required=False, allow_null=True)
    u = serializers.FloatField(required=False, allow_null=True)


class SheetsSerializer(SampleRequestSerializer):
    """Sheets cut together, with what is said of all of them."""

    amount = unit = into_custody = None  # type: ignore[assignment]
    sheets = SheetSerializer(many=True)


class CustodySerializer(serializers.Serializer[Any]):
    """One event of custody; `amount` in kg, negative where some went; `gap` says what does not fit before it."""

    position = serializers.IntegerField(source="event.position")
    kind = serializers.CharField(source="event.kind")
    holder = serializers.CharField(source="event.holder.username")
    by = serializers.CharField(source="event.by.username")
    at = serializers.DateTimeField(source="event.at")
    location = serializers.CharField(source="event.location")
    condition = serializers.CharField(source="event.condition")
    amount = serializers.DecimalField(source="event.amount", max_digits=18, decimal_places=9, allow_null=True)
    cause = serializers.CharField(source="event.cause")
    temperature = serializers.FloatField(source="event.temperature", allow_null=True, help_text="K, of an excursion")
    duration = serializers.FloatField(source="event.duration", allow_null=True, help_text="s, of an excursion")
    since = serializers.DateTimeField(source="event.since", allow_null=True)
    gap = serializers.CharField()


class SampleSerializer(serializers.Serializer[Any]):
    """One sample; masses in kg."""

    code = serializers.CharField()
    name = serializers.CharField()
    origin = serializers.CharField()
    batch = serializers.CharField(source="batch.code", default=None, allow_null=True)
    lot = serializers.CharField(source="lot.code", default=None, allow_null=True)
    state = serializers.CharField()
    on_hold = serializers.BooleanField()
    expired = serializers.BooleanField()
    amount = mass_field()
    left = mass_field()
    taken_at = serializers.DateTimeField()
    taken_by = serializers.CharField(source="taken_by.username")
    material_kind = serializers.CharField()
    reference = serializers.BooleanField()
    container = serializers.CharField()
    condition = serializers.CharField()
    location = serializers.CharField()
    place = serializers.CharField()
    plan = serializers.CharField()
    storage = serializers.CharField()
    expires_on = serializers.DateField(allow_null=True)
    hold_limit_hours = serializers.FloatField(allow_null=True)
    keep_until = serializers.DateField(allow_null=True)
    series = serializers.CharField(help_text="Code of the first of the sheets cut together.")
    nominal_thickness = serializers.FloatField(allow_null=True, help_text="m")
    thickness = serializers.FloatField(allow_null=True, help_text="m, measured")
    thickness_u = serializers.FloatField(allow_null=True, help_text="m, standard uncertainty")
    equipment = serializers.CharField()
    deviations = serializers.CharField()


class CountsSerializer(serializers.Serializer[Any]):
    """How often it was put on, run, and reduced: only the first is replication."""

    applications = serializers.IntegerField()
    runs = serializers.IntegerField()
    reductions = serializers.IntegerField()


class SampleDetailSerializer(SampleSerializer):
    """One sample with its parent, its custody and its counts."""

    parent = serializers.CharField(source="parent.code", default=None, allow_null=True)  # type: ignore[assignment]
    custody = serializers.SerializerMethodField()
    counts = serializers.SerializerMethodField()
    limits = serializers.SerializerMethodField(help_text="What asks for a reason when it is applied.")

    def get_custody(self, sample: Any) -> list[dict[str, Any]]:
        return list(CustodySerializer(selectors.custody_of(sample), many=True).data)

    def get_counts(self, sample: Any) -> dict[str, int]:
        return dict(CountsSerializer(counts_of_sample(sample)).data)

    def get_limits(self, sample: Any) -> list[str]:
        return selectors.why_not_applicable(sample)


class SamplePlaceSerializer(serializers.Serializer[Any]):
    """Where it is put, and what it looks like."""

    location = serializers.CharField(max_length=120, allow_blank=True, default="")
    condition = serializers.CharField(max_length=200, required=False, allow_blank=True)


class MoveSampleSerializer(SamplePlaceSerializer):
    """Where it goes; `holder`, a user name, where it is handed over."""

    holder = serializers.CharField(required=False, allow_blank=True)


class HandlingSerializer(serializers.Serializer[Any]):
    """What was done with it."""

    kind = serializers.CharField(help_text=f"One of: {', '.join(HANDLED)}.")
    condition = serializers.CharField(max_length=200, required=False, allow_blank=True)


class ExcursionSerializer(ReasonSerializer):
    """How far outside its storage condition, how long, and since when (it ended just now, unless said)."""

    temperature = serializers.FloatField(help_text="K, furthest from the condition")
    duration = serializers.FloatField(help_text="s")
    since = serializers.DateTimeField(required=False)


class SplitSampleSerializer(serializers.Serializer[Any]):
    """A portion: `amount` in `unit`, into a container of its own."""

    amount = mass_field()
    unit = serializers.CharField()
    container = serializers.CharField(max_length=120)
    location = serializers.CharField(max_length=120, required=False, allow_blank=True)
    name = serializers.CharField(max_length=200, required=False, allow_blank=True)


class RetainSampleSerializer(serializers.Serializer[Any]):
    """Where it is kept, and until when."""

    location = serializers.CharField(max_length=120)
    keep_until = serializers.DateField()


class BlockPermitSerializer(ReasonSerializer):
    """The block it is permitted on, and why."""

    block = serializers.CharField()


class Samples(View):
    """Samples of the laboratory."""

    rights = {"GET": "laboratory.read", "POST": "sample.register"}

    @extend_schema(operation_id="samples", parameters=FILTERS, responses=answers(SampleSerializer(many=True)))
    def get(self, request: Request) -> Response:
        asked = {name: request.query_params.get(name, "") for name in ("text", "state", "origin", "series")}
        return self.page(selectors.samples_for(_user(request), **asked), SampleSerializer)

    @extend_schema(
        operation_id="sample_register",
        request=SampleRequestSerializer,
        responses=answers(SampleDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user, content = _user(request), valid(SampleRequestSerializer(data=request.data))
        batch, lot = content.pop("batch"), content.pop("lot")
        source = selectors.get_source_for(user, "batch" if batch else "lot" if lot else "", batch or lot)
        amount = mass_in_kg(content.pop("amount"), unit=content.pop("unit"), field="unit")
        made = once(self.key, services.register_sample)(actor=user, source=source, amount=amount, **content)
        return Response(SampleDetailSerializer(selectors.get_sample_for(user, made.code)).data, status=201)


class BlindSamples(View):
    """Register a sample known by its code alone."""

    rights = {"POST": "sample.blind"}

    @extend_schema(
        operation_id="sample_register_blind",
        request=BlindSampleSerializer,
        responses=answers(SampleDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user, content = _user(request), valid(BlindSampleSerializer(data=request.data))
        source = _source(user, content)
        amount = mass_in_kg(content.pop("amount"), unit=content.pop("unit"), field="unit")
        made = once(self.key, services.register_blind_sample)(actor=user, source=source, amount=amount, **content)
        return Response(SampleDetailSerializer(selectors.get_sample_for(user, made.code)).data, status=201)


class Sheets(View):
    """Register sheets of several thicknesses at once."""

    rights = {"POST": "sample.register"}

    @extend_schema(
        operation_id="sheets_register",
        request=SheetsSerializer,
        responses=answers(SampleSerializer(many=True), 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user, content = _user(request), valid(SheetsSerializer(data=request.data))
        sheets = [services.Sheet(**row) for row in content.pop("sheets")]
        first = once(self.key, services.register_sheets)(sheets, actor=user, source=_source(user, content), **content)
        made = selectors.samples_for(user, series=first.series).order_by("id")
        return Response(SampleSerializer(made, many=True).data, status=201)


def _source(user: Any, content: dict[str, Any]) -> Any:
    batch, lot = content.pop("batch"), content.pop("lot")
    return selectors.get_source_for(user, "batch" if batch else "lot" if lot else "", batch or lot)


class Sample(View):
    """One sample."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="sample", responses=answers(SampleDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(SampleDetailSerializer(selectors.get_sample_for(_user(request), code)).data)


def _user(request: Request) -> Any:
    return request.user


def _move(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    name = content.pop("holder", "")
    return content | ({"holder": selectors.get_holder(name)} if name else {})


def _split(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    return content | {"amount": mass_in_kg(content["amount"], unit=content.pop("unit"), field="unit")}


def _permit(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    return content | {"block": get_block_for(user, content["block"])}


SAMPLE = RecordRoutes(
    "sample",
    "samples",
    selectors.get_sample_for,
    SampleDetailSerializer,
    (
        RouteAct("take", "sample.register", services.take_sample, SamplePlaceSerializer),
        RouteAct("refuse", "sample.refuse", services.refuse_sample, ReasonSerializer),
        RouteAct("move", "sample.move", services.move_sample, MoveSampleSerializer, _move),
        RouteAct("note", "sample.move", services.note_custody, HandlingSerializer),
        RouteAct("excursion", "sample.move", services.note_excursion, ExcursionSerializer),
        RouteAct("split", "sample.split", services.split_sample, SplitSampleSerializer, _split),
        RouteAct("return", "sample.use", services.return_sample, SamplePlaceSerializer),
        RouteAct("lock-results", "run.lock", lock_results),
        RouteAct("reveal", "sample.unblind", reveal_sample, ReasonSerializer),
        RouteAct("use-up", "sample.use", services.use_up_sample),
        RouteAct("retain", "sample.retain", services.retain_sample, RetainSampleSerializer),
        RouteAct(
            "release-for-retest", "sample.release_for_retest", services.release_sample_for_retest, ReasonSerializer
        ),
        RouteAct("dispose", "sample.dispose", services.dispose_sample, ReasonSerializer),
        RouteAct("permit-block", "sample.permit_block", permit_block, BlockPermitSerializer, _permit),
        RouteAct("void", "sample.void", services.void_sample, ReasonSerializer),
        *HOLD_ACTS,
    ),
)

urlpatterns = [
    path("samples/", Samples.as_view(), name="api-samples"),
    path("samples/blind/", BlindSamples.as_view(), name="api-samples-blind"),
    path("samples/sheets/", Sheets.as_view(), name="api-samples-sheets"),
    *SAMPLE.paths(),
    path("samples/<str:code>/", Sample.as_view(), name="api-sample"),
]
