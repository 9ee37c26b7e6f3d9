"""Batches: plan, weigh (also by a balance's own account), process, decide."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.accounts.selectors import people
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
from lims.api.formulations import RecipeSerializer, lines_of, steps_of
from lims.core.errors import Invalid
from lims.core.quantities import mass_in_kg
from lims.formulations import selectors, services
from lims.formulations.kinds import TESTS
from lims.formulations.states import BatchState
from lims.materials.selectors import get_lot_for
from lims.quality import services as quality

FILTERS = [
    OpenApiParameter("text", str, description="A code, a part of the name, or a formulation's code."),
    OpenApiParameter("state", str, enum=BatchState.values),
]


class PlanSerializer(serializers.Serializer[Any]):
    """A batch of an approved version."""

    version = serializers.CharField()
    target_mass = mass_field()
    unit = serializers.CharField()
    name = serializers.CharField(allow_blank=True, default="")


class ExploreSerializer(RecipeSerializer):
    """An exploratory batch with its own lines."""

    name = serializers.CharField(max_length=200)
    target_mass = mass_field()
    unit = serializers.CharField()


class WeighingSerializer(serializers.Serializer[Any]):
    """One weighing as it was made, kg."""

    id = serializers.IntegerField()
    lot = serializers.CharField(source="lot.code")
    net = mass_field()
    as_entered = serializers.CharField()
    balance = serializers.CharField()
    captured = serializers.BooleanField()
    by = serializers.CharField(source="by.username")
    at = serializers.DateTimeField()
    device_time = serializers.DateTimeField(allow_null=True)
    reason = serializers.CharField()
    deviates = serializers.BooleanField()
    replaces = serializers.IntegerField(source="replaces_id", allow_null=True)


class SheetLineSerializer(serializers.Serializer[Any]):
    """One line of the sheet, kg."""

    position = serializers.IntegerField(source="row.position")
    material = serializers.CharField(source="row.material.code")
    target = serializers.DecimalField(source="row.target", max_digits=18, decimal_places=9)
    tolerance = serializers.DecimalField(source="row.tolerance", max_digits=18, decimal_places=9)
    total = mass_field()
    done = serializers.BooleanField()
    within = serializers.BooleanField()
    weighings = WeighingSerializer(many=True)


class BatchSerializer(RecordSerializer):
    """One batch; masses in kg. `lines` and `formulation` only for those who may read recipes."""

    name = serializers.CharField()
    exploratory = serializers.BooleanField()
    deviated = serializers.BooleanField()
    target_mass = mass_field()
    yield_mass = mass_field(allow_null=True)
    planned_by = serializers.CharField(source="planned_by.username")
    started_at = serializers.DateTimeField(allow_null=True)
    made_at = serializers.DateTimeField(allow_null=True)


class BatchDetailSerializer(BatchSerializer):
    """One batch with its sheet."""

    formulation = serializers.SerializerMethodField()
    lines = serializers.SerializerMethodField()
    steps_done = serializers.SerializerMethodField()
    tests = serializers.SerializerMethodField()

    def get_tests(self, batch: Any) -> list[dict[str, Any]] | None:
        return list(ShownTestSerializer(selectors.tests_of(batch), many=True).data) if self._may_read() else None

    def get_formulation(self, batch: Any) -> str | None:
        return batch.recipe.code if self._may_read() and batch.recipe else None

    def get_lines(self, batch: Any) -> list[dict[str, Any]] | None:
        sheet = selectors.sheet_of(batch)
        return list(SheetLineSerializer(sheet.lines, many=True).data) if self._may_read() else None

    def get_steps_done(self, batch: Any) -> list[int]:
        return sorted(batch.steps_done.values_list("position", flat=True))

    def _may_read(self) -> bool:
        request = self.context.get("request")
        return request is not None and request.user.may("recipe.read")


class OverrideSerializer(serializers.Serializer[Any]):
    """Quality's word for equipment that may not be used today: a user name, the password of that person, why."""

    override_by = serializers.CharField(required=False, allow_blank=True, default="")
    override_password = serializers.CharField(required=False, allow_blank=True, default="", write_only=True)
    override_reason = serializers.CharField(required=False, allow_blank=True, default="", max_length=400)


class WeighSerializer(OverrideSerializer):
    """One weighing of one line; `net` and `tare` in `unit`. `captured`: sent by the balance itself."""

    position = serializers.IntegerField()
    lot = serializers.CharField()
    net = mass_field()
    unit = serializers.CharField()
    balance = serializers.CharField(max_length=60)
    tare = mass_field(default=Decimal(0))
    container = serializers.CharField(allow_blank=True, default="", max_length=60)
    captured = serializers.BooleanField(default=False)
    device_time = serializers.DateTimeField(required=False, allow_null=True, default=None)
    opened_on = serializers.DateField(
        required=False,
        allow_null=True,
        help_text="When the lot was first opened; asked for where it has a life in use.",
    )
    reason = serializers.CharField(allow_blank=True, default="", max_length=400)
    more = serializers.BooleanField(default=False)
    meant = serializers.BooleanField(default=False)
    correct = serializers.BooleanField(
        default=False, help_text="Too much: give the other lines the targets that keep the proportions."
    )
    seen = serializers.IntegerField(
        required=False, allow_null=True, help_text="The last weighing of the line that was seen; 0: none."
    )
    choice = serializers.ChoiceField(
        required=False, choices=["both", "mine", "theirs"], help_text="Which of two entries of one line stands."
    )


class DoStepSerializer(OverrideSerializer):
    """One step as it was done; settings in SI: 1/s, s, Pa absolute, K."""

    position = serializers.IntegerField()
    speed = serializers.FloatField(required=False, allow_null=True)
    duration = serializers.FloatField(required=False, allow_null=True)
    pressure = serializers.FloatField(required=False, allow_null=True)
    temperature = serializers.FloatField(required=False, allow_null=True)
    equipment = serializers.CharField(allow_blank=True, default="", max_length=60)
    skipped = serializers.BooleanField(default=False)
    reason = serializers.CharField(allow_blank=True, default="", max_length=400)
    seen_by = serializers.CharField(required=False, allow_blank=True, default="")
    seen_password = serializers.CharField(required=False, allow_blank=True, default="", write_only=True)


class SkipSerializer(ReasonSerializer):
    """A line left out."""

    position = serializers.IntegerField()


class FinishSerializer(serializers.Serializer[Any]):
    """The yield in `unit`."""

    yield_mass = mass_field()
    loss_mass = mass_field(required=False, allow_null=True)
    unit = serializers.CharField()
    reason = serializers.CharField(allow_blank=True, default="", max_length=400)


class TestSerializer(serializers.Serializer[Any]):
    """One in-process test: value, uncertainty and limits in `unit`, or words for the appearance."""

    test = serializers.ChoiceField(choices=sorted(TESTS))
    value = serializers.FloatField(required=False, allow_null=True)
    unit = serializers.CharField(allow_blank=True, default="")
    u = serializers.FloatField(required=False, allow_null=True)
    lower = serializers.FloatField(required=False, allow_null=True)
    upper = serializers.FloatField(required=False, allow_null=True)
    words = serializers.CharField(allow_blank=True, default="", max_length=200)
    good = serializers.BooleanField(default=True)
    equipment = serializers.CharField(allow_blank=True, default="", max_length=60)
    position = serializers.IntegerField(required=False, allow_null=True)
    replaces = serializers.IntegerField(
        required=False, allow_null=True, help_text="The number of the entry that this one corrects."
    )
    reason = serializers.CharField(allow_blank=True, default="", max_length=400)


class ShownTestSerializer(serializers.Serializer[Any]):
    """One in-process test as it stands; SI."""

    id = serializers.IntegerField(source="row.pk")
    test = serializers.CharField(source="row.test")
    value = serializers.FloatField(source="row.value", allow_null=True)
    u = serializers.FloatField(source="row.u", allow_null=True)
    words = serializers.CharField(source="row.words")
    lower = serializers.FloatField(source="row.lower", allow_null=True)
    upper = serializers.FloatField(source="row.upper", allow_null=True)
    outside = serializers.BooleanField(source="row.outside")
    replaces = serializers.IntegerField(source="row.replaces_id", allow_null=True)
    by = serializers.CharField(source="row.by.username")
    at = serializers.DateTimeField(source="row.at")


class PhotographRequestSerializer(serializers.Serializer[Any]):
    """A photograph, as multipart, with the step it shows."""

    photo = serializers.FileField()
    caption = serializers.CharField(required=False, allow_blank=True, default="", max_length=200)
    position = serializers.IntegerField(required=False, allow_null=True, min_value=1)


class PhotographSerializer(serializers.Serializer[Any]):
    """One photograph of a batch, by the digest of its file."""

    id = serializers.IntegerField(source="pk")
    sha256 = serializers.CharField(source="file.sha256")
    caption = serializers.CharField()
    position = serializers.IntegerField(allow_null=True)
    by = serializers.CharField(source="by.username")
    at = serializers.DateTimeField()


class PromoteSerializer(serializers.Serializer[Any]):
    """The formulation to be made."""

    name = serializers.CharField(max_length=200)
    purpose = serializers.CharField(allow_blank=True, default="")


class CheckSerializer(serializers.Serializer[Any]):
    """A weighing by its number."""

    weighing = serializers.IntegerField()


class CorrectSerializer(CheckSerializer):
    """A correction of a weighing; `net` in `unit`."""

    net = mass_field()
    unit = serializers.CharField()
    reason = serializers.CharField()


class Batches(View):
    """Batches."""

    rights = {"GET": "laboratory.read", "POST": "batch.plan"}

    @extend_schema(operation_id="batches", parameters=FILTERS, responses=answers(BatchSerializer(many=True)))
    def get(self, request: Request) -> Response:
        asked = {name: request.query_params.get(name, "") for name in ("text", "state")}
        return self.page(selectors.batches(**asked), BatchSerializer)

    @extend_schema(
        operation_id="batch_plan",
        request=PlanSerializer,
        responses=answers(BatchDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(PlanSerializer(data=request.data))
        made = once(self.key, services.plan_batch)(
            selectors.get_version_for(user, content["version"]),
            actor=user,
            target_mass=mass_in_kg(content["target_mass"], unit=content["unit"], field="unit"),
            name=content["name"],
        )
        return _answer(request, made.code, 201)


class Explorations(View):
    """Exploratory batches."""

    rights = {"POST": "batch.plan"}

    @extend_schema(
        operation_id="batch_explore",
        request=ExploreSerializer,
        responses=answers(BatchDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(ExploreSerializer(data=request.data))
        made = once(self.key, services.plan_exploratory_batch)(
            actor=user,
            name=content["name"],
            target_mass=mass_in_kg(content["target_mass"], unit=content["unit"], field="unit"),
            lines=lines_of(user, content["lines"]),
            steps=steps_of(content.get("steps", [])),
        )
        return _answer(request, made.code, 201)


class Batch(View):
    """One batch."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="batch", responses=answers(BatchDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        return _answer(request, code, 200)


def _answer(request: Request, code: str, status: int) -> Response:
    found = selectors.get_batch_for(request.user, code)  # type: ignore[arg-type]
    return Response(BatchDetailSerializer(found, context={"request": request}).data, status=status)


def _weigh(batch: Any, *, actor: Any, key: str | None = None, **content: Any) -> Any:
    """Weigh into one line of a batch; outside the tolerance a reason is needed."""
    line = selectors.get_line_of(batch, content.pop("position"))
    unit, net = content.pop("unit"), content.pop("net")
    content["override_by"] = _named(content["override_by"], field="override_by")
    return once(key, services.weigh)(
        line,
        actor=actor,
        lot=get_lot_for(actor, content.pop("lot")),
        net=mass_in_kg(net, unit=unit, field="unit"),
        as_entered=f"{net.normalize():f} {unit}",
        **content | {"tare": mass_in_kg(content["tare"], unit=unit, field="tare")},
    )


def _skip(batch: Any, *, actor: Any, position: int, reason: str, key: str | None = None) -> Any:
    """Leave a line out, with a reason."""
    return once(key, services.skip_line)(selectors.get_line_of(batch, position), actor=actor, reason=reason)


def _check(batch: Any, *, actor: Any, weighing: int, key: str | None = None) -> Any:
    """Look at a typed weighing as a second person."""
    return once(key, services.check_weighing)(selectors.get_weighing_of(batch, weighing), actor=actor)


def _correct(batch: Any, *, actor: Any, key: str | None = None, **content: Any) -> Any:
    """Correct a weighing: a new row that names the old one."""
    weighing = selectors.get_weighing_of(batch, content["weighing"])
    net = mass_in_kg(content["net"], unit=content["unit"], field="unit")
    return once(key, services.correct_weighing)(weighing, actor=actor, net=net, reason=content["reason"])


def _step(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    return content | {name: _named(content[name], field=name) for name in ("seen_by", "override_by")}


def _named(username: str, *, field: str) -> Any:
    """The person of a user name; nobody where none is given."""
    found = people().filter(username=username).first() if username else None
    if username and found is None:
        raise Invalid(f"There is nobody called {username}.", fields={field: ["A user name is expected."]})
    return found


def _test(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    """The entry that is corrected is named by its number; its batch is checked by the service."""
    number = content.pop("replaces", None)
    return content | ({"replaces": selectors.get_entry(number)} if number is not None else {})


class Photographs(View):
    """Photographs of a batch; they show what goes in, so only for those who may read recipes."""

    rights = {"GET": "recipe.read", "POST": "batch.photograph"}
    parser_classes = (MultiPartParser,)

    @extend_schema(operation_id="batch_photographs", responses=answers(PhotographSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        found = selectors.get_batch_for(request.user, code)  # type: ignore[arg-type]
        return Response(PhotographSerializer(selectors.photos_of(found), many=True).data)

    @extend_schema(
        operation_id="batch_photograph",
        request=PhotographRequestSerializer,
        responses=answers(PhotographSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user: Any = request.user
        found = selectors.get_batch_for(user, code)
        content = valid(PhotographRequestSerializer(data=request.data))
        made = once(self.key, services.add_batch_photo)(found, actor=user, name=content["photo"].name, **content)
        return Response(PhotographSerializer(made).data, status=201)


def _finish(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    lost, unit = content.get("loss_mass"), content["unit"]
    return {
        "yield_mass": mass_in_kg(content["yield_mass"], unit=unit, field="unit"),
        "loss_mass": None if lost is None else mass_in_kg(lost, unit=unit, field="loss_mass"),
        "reason": content["reason"],
    }


BATCH = RecordRoutes(
    "batch",
    "batches",
    selectors.get_batch_for,
    BatchDetailSerializer,
    (
        RouteAct("weigh", "batch.weigh", _weigh, WeighSerializer),
        RouteAct("skip-line", "batch.weigh", _skip, SkipSerializer),
        RouteAct("check-weighing", "batch.check", _check, CheckSerializer),
        RouteAct("correct-weighing", "batch.correct", _correct, CorrectSerializer),
        RouteAct("close-weighing", "batch.close_weighing", services.close_weighing),
        RouteAct("do-step", "batch.do_step", services.do_step, DoStepSerializer, _step),
        RouteAct("test", "batch.test", services.add_batch_test, TestSerializer, _test),
        RouteAct("rework", "batch.rework", services.rework_batch, ReasonSerializer),
        RouteAct("finish", "batch.finish", services.finish_batch, FinishSerializer, _finish),
        RouteAct("start-test", "batch.start_test", services.start_batch_test),
        RouteAct("release", "batch.release", quality.release_batch, DecideSerializer),
        RouteAct("reject", "batch.reject", quality.reject_batch, SignedSerializer),
        RouteAct("promote", "batch.promote", services.promote_batch, PromoteSerializer),
        RouteAct("abort", "batch.abort", services.abort_batch, ReasonSerializer),
        *concession_routes("batch", quality.propose_batch_concession, quality.approve_batch_concession),
        *CASE_ACTS,
    ),
)

urlpatterns = [
    path("batches/", Batches.as_view(), name="api-batches"),
    path("batches/explore/", Explorations.as_view(), name="api-batch-explore"),
    path("batches/<str:code>/photographs/", Photographs.as_view(), name="api-batch-photographs"),
    *BATCH.paths(),
    path("batches/<str:code>/", Batch.as_view(), name="api-batch"),
]
