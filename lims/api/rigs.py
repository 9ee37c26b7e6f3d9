"""Rigs, their sensors, calibrations and configurations; blocks. What a rig was at a time, as a setup."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, RecordRoutes, RouteAct, answers
from lims.api.base import View, valid
from lims.api.holds import HOLD_ACTS
from lims.files.services import store_file
from lims.rigs import selectors, services
from lims.rigs.readiness import channel_states
from lims.runs.selectors.applications import RigNow, rigs_now, uses_of, zero_of

PARSERS = (JSONParser, MultiPartParser, FormParser)
AT = OpenApiParameter("at", str, description="ISO 8601 with offset; now, unless said.")


class EquipmentSerializer(serializers.Serializer[Any]):
    """What is kept of every piece of equipment."""

    maker = serializers.CharField(required=False, allow_blank=True, max_length=120)
    type = serializers.CharField(required=False, allow_blank=True, max_length=120)
    serial = serializers.CharField(required=False, allow_blank=True, max_length=80)
    location = serializers.CharField(required=False, allow_blank=True, max_length=120)
    software = serializers.CharField(required=False, allow_blank=True, max_length=200)
    acceptance = serializers.CharField(required=False, allow_blank=True)
    remarks = serializers.CharField(required=False, allow_blank=True)


class BlockRequestSerializer(EquipmentSerializer):
    """A block, in SI."""

    name = serializers.CharField(max_length=120)
    role = serializers.ChoiceField(choices=selectors.BLOCK_ROLES)
    metal = serializers.CharField(max_length=60)
    finish = serializers.CharField(max_length=60)
    area = serializers.FloatField(help_text="m2")
    area_u = serializers.FloatField(default=0.0, min_value=0, help_text="m2")
    conductivity = serializers.FloatField(help_text="W/(m K)")
    conductivity_u = serializers.FloatField(default=0.0, min_value=0, help_text="W/(m K)")
    roughness = serializers.FloatField(required=False, allow_null=True, min_value=0, help_text="m")
    flatness = serializers.FloatField(required=False, allow_null=True, min_value=0, help_text="m")
    uses_allowed = serializers.IntegerField(required=False, allow_null=True, min_value=1)


class BlockSerializer(BlockRequestSerializer):
    """One block, and how often it was used."""

    code = serializers.CharField()
    uses = serializers.SerializerMethodField()

    def get_uses(self, block: Any) -> int:
        return uses_of(block)


class RigRequestSerializer(EquipmentSerializer):
    """A rig."""

    name = serializers.CharField(max_length=60)
    location = serializers.CharField(max_length=120)
    time_zone = serializers.CharField(required=False, max_length=60)


class ChangeRigSerializer(EquipmentSerializer):
    """What is new of a rig, and why."""

    name = serializers.CharField(required=False, max_length=60)
    time_zone = serializers.CharField(required=False, max_length=60)
    needs_authorization = serializers.BooleanField(required=False)
    reason = serializers.CharField()


class RigSerializer(EquipmentSerializer):
    """One rig, and whether it may be used now."""

    code = serializers.CharField()
    name = serializers.CharField()
    state = serializers.CharField()
    state_reason = serializers.CharField()
    time_zone = serializers.CharField()
    needs_authorization = serializers.BooleanField()
    may_be_used = serializers.SerializerMethodField()
    why_not = serializers.SerializerMethodField()
    next_due = serializers.SerializerMethodField()

    def get_may_be_used(self, rig: Any) -> bool:
        return not self._now(rig).stop

    def get_why_not(self, rig: Any) -> str:
        return self._now(rig).stop

    def get_next_due(self, rig: Any) -> str | None:
        due = self._now(rig).due
        return due.isoformat() if due else None

    def _now(self, rig: Any) -> RigNow:
        """The rig as it is now, looked up once for all rigs of the answer."""
        known: dict[int, RigNow] = self.context.setdefault("rigs_now", {})  # type: ignore[attr-defined]
        if rig.pk not in known:
            listed = getattr(self.parent, "instance", None)
            known |= {now.rig.pk: now for now in rigs_now(listed if isinstance(listed, list) else [rig])}
        return known[rig.pk]


class RigChannelSerializer(serializers.Serializer[Any]):
    """One column of a rig's files with the calibration in force; depth in m."""

    column = serializers.CharField(source="channel.column")
    quantity = serializers.CharField(source="channel.quantity")
    sensor = serializers.CharField(source="channel.sensor.serial", default=None, allow_null=True)
    depth = serializers.FloatField(source="channel.depth", allow_null=True)
    depth_u = serializers.FloatField(source="channel.depth_u")
    unit = serializers.CharField(source="calibration.unit", default="")
    gain = serializers.FloatField(source="calibration.gain", default=None, allow_null=True)
    offset = serializers.FloatField(source="calibration.offset", default=None, allow_null=True)
    u = serializers.FloatField(source="calibration.u", default=None, allow_null=True)
    due_on = serializers.DateField(allow_null=True)
    problem = serializers.CharField()
    signal = serializers.CharField(source="channel.sensor.signal", default="", allow_blank=True)
    tolerance_class = serializers.CharField(source="channel.sensor.tolerance_class", default="", allow_blank=True)
    cold_junction = serializers.CharField(source="channel.cold_junction")


class RigNoteSerializer(serializers.Serializer[Any]):
    """One entry of a rig's log."""

    kind = serializers.ChoiceField(choices=selectors.NOTE_KINDS)
    text = serializers.CharField()
    on = serializers.DateField(required=False)


class ZeroSerializer(serializers.Serializer[Any]):
    """The youngest zero of a rig."""

    run = serializers.CharField(source="run.code", default=None, allow_null=True)
    age_seconds = serializers.SerializerMethodField()
    young = serializers.BooleanField()

    def get_age_seconds(self, zero: Any) -> float | None:
        return zero.age.total_seconds() if zero.age is not None else None


class RigDetailSerializer(RigSerializer):
    """One rig with its channels, its log and its zero."""

    channels = serializers.SerializerMethodField()
    sensors = serializers.SerializerMethodField()
    notes = RigNoteSerializer(many=True, source="notes.all")
    zero = serializers.SerializerMethodField()
    configuration = serializers.SerializerMethodField()

    def get_channels(self, rig: Any) -> list[dict[str, Any]]:
        return list(RigChannelSerializer(channel_states(rig), many=True).data)

    def get_sensors(self, rig: Any) -> list[dict[str, str]]:
        return [{"serial": s.serial, "quantity": s.quantity} for s in selectors.sensors_of(rig)]

    def get_zero(self, rig: Any) -> dict[str, Any]:
        return dict(ZeroSerializer(zero_of(rig)).data)

    def get_configuration(self, rig: Any) -> int | None:
        last = selectors.last_configuration(rig)
        return last.number if last else None


class SensorRequestSerializer(serializers.Serializer[Any]):
    """A sensor."""

    serial = serializers.CharField(max_length=80)
    quantity = serializers.CharField(max_length=40)
    description = serializers.CharField(required=False, allow_blank=True, max_length=200)
    signal = serializers.ChoiceField(
        choices=selectors.signal_choices(), required=False, allow_blank=True,
        help_text="What its column holds, where it is not the quantity itself.",
    )  # fmt: skip
    tolerance_class = serializers.CharField(required=False, allow_blank=True, max_length=20)
    maker = serializers.CharField(required=False, allow_blank=True, max_length=120)
    type = serializers.CharField(required=False, allow_blank=True, max_length=120)
    location = serializers.CharField(required=False, allow_blank=True, max_length=120)
    acceptance = serializers.CharField(required=False, allow_blank=True)


class CalibrationRequestSerializer(serializers.Serializer[Any]):
    """A calibration of one sensor: calibrated = gain * reading + offset; offset and u (standard) in `unit`."""

    sensor = serializers.CharField(help_text="Its serial number.")
    valid_from = serializers.DateTimeField(required=False, help_text="Now, unless said.")
    due_on = serializers.DateField(help_text="The last day on which the sensor may be used.")
    unit = serializers.CharField(max_length=20)
    gain = serializers.FloatField(default=1.0)
    offset = serializers.FloatField(default=0.0)
    u = serializers.FloatField(min_value=0)
    as_found = serializers.CharField(required=False, allow_blank=True, max_length=200)
    as_left = serializers.CharField(required=False, allow_blank=True, max_length=200)
    limits = serializers.CharField(required=False, allow_blank=True, max_length=200)
    error_found = serializers.FloatField(
        required=False, allow_null=True, help_text="calibrated reading as found less the reference, in the unit"
    )
    error_allowed = serializers.FloatField(required=False, allow_null=True, min_value=0, help_text="in the unit")
    reference = serializers.CharField(max_length=200)
    certificate_number = serializers.CharField(required=False, allow_blank=True, max_length=80)
    certificate = serializers.FileField(required=False, write_only=True)


class CalibrationSerializer(serializers.Serializer[Any]):
    """One calibration of a sensor."""

    id = serializers.IntegerField()
    sensor = serializers.CharField(source="sensor.serial")
    state = serializers.CharField()
    failed_as_found = serializers.BooleanField()
    valid_from = serializers.DateTimeField(source="period.lower")
    valid_to = serializers.DateTimeField(source="period.upper", allow_null=True)
    due_on = serializers.DateField()
    unit = serializers.CharField()
    gain = serializers.FloatField()
    offset = serializers.FloatField()
    u = serializers.FloatField()
    as_found = serializers.CharField()
    as_left = serializers.CharField()
    limits = serializers.CharField()
    error_found = serializers.FloatField(allow_null=True)
    error_allowed = serializers.FloatField(allow_null=True)
    reference = serializers.CharField()
    certificate_number = serializers.CharField()
    certificate_sha256 = serializers.CharField(source="certificate.sha256", default=None, allow_null=True)
    done_by = serializers.CharField(source="done_by.username")
    decided_by = serializers.CharField(source="decided_by.username", default=None, allow_null=True)


class RigChannelRequestSerializer(serializers.Serializer[Any]):
    """One column of a rig's files; depth in m below the contact face."""

    column = serializers.CharField(max_length=80)
    quantity = serializers.CharField(max_length=40)
    sensor = serializers.CharField(required=False, allow_blank=True, default="", help_text="Its serial number.")
    unit = serializers.CharField(required=False, allow_blank=True, default="", max_length=20)
    depth = serializers.FloatField(required=False, allow_null=True, default=None)
    depth_u = serializers.FloatField(default=0.0, min_value=0, help_text="m, standard")
    pair = serializers.CharField(required=False, allow_blank=True, default="", max_length=8)
    cold_junction = serializers.CharField(
        required=False,
        allow_blank=True,
        default="",
        max_length=80,
        help_text="The column of a thermocouple's junction.",
    )


class RigConfigurationRequestSerializer(serializers.Serializer[Any]):
    """What a rig is from a time on, in SI."""

    reason = serializers.CharField()
    valid_from = serializers.DateTimeField(required=False, help_text="Now, unless said.")
    hot_block = serializers.CharField()
    cold_block = serializers.CharField()
    channels = RigChannelRequestSerializer(many=True)
    heat_flow = serializers.ChoiceField(choices=selectors.HEAT_FLOWS, required=False)
    coolant = serializers.CharField(
        required=False, max_length=60, help_text="water, or a mixture of a share of mass: ethylene glycol 30 %"
    )
    coolant_share_u = serializers.FloatField(
        required=False, allow_null=True, min_value=0, max_value=1, help_text="standard uncertainty of that share"
    )
    loss_conductance = serializers.FloatField(required=False, help_text="W/K")
    loss_conductance_u = serializers.FloatField(required=False, min_value=0, help_text="W/K")
    gap_resolution = serializers.FloatField(required=False, min_value=0, help_text="m")
    gap_expansion = serializers.FloatField(required=False, help_text="m/K")
    gap_expansion_u = serializers.FloatField(required=False, min_value=0, help_text="m/K")
    zero_max_age_seconds = serializers.FloatField(required=False, min_value=0, help_text="s")
    zero_max_drift = serializers.FloatField(required=False, min_value=0, help_text="m")
    null_temperatures = serializers.BooleanField(required=False)


class RigSetupSerializer(serializers.Serializer[Any]):
    """What a rig was at a time: `setup` has the tables of a setup file; the calibrations in it by their ids."""

    setup = serializers.JSONField()
    calibrations = serializers.ListField(child=serializers.IntegerField())
    configuration = serializers.IntegerField()


class AtSerializer(serializers.Serializer[Any]):
    """A time."""

    at = serializers.DateTimeField(required=False)


class Blocks(View):
    """Blocks of the laboratory."""

    rights = {"GET": "laboratory.read", "POST": "block.create"}

    @extend_schema(operation_id="blocks", responses=answers(BlockSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(selectors.blocks_for(_user(request)), BlockSerializer)

    @extend_schema(
        operation_id="block_create",
        request=BlockRequestSerializer,
        responses=answers(BlockSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content = valid(BlockRequestSerializer(data=request.data))
        made = once(self.key, services.create_block)(actor=_user(request), **content)
        return Response(BlockSerializer(made).data, status=201)


class Block(View):
    """One block."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="block", responses=answers(BlockSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(BlockSerializer(selectors.get_block_for(_user(request), code)).data)


class Rigs(View):
    """Rigs of the laboratory."""

    rights = {"GET": "laboratory.read", "POST": "rig.create"}

    @extend_schema(operation_id="rigs", responses=answers(RigSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(selectors.rigs_for(_user(request)), RigSerializer)

    @extend_schema(
        operation_id="rig_create",
        request=RigRequestSerializer,
        responses=answers(RigDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content = valid(RigRequestSerializer(data=request.data))
        made = once(self.key, services.create_rig)(actor=_user(request), **content)
        return Response(RigDetailSerializer(made).data, status=201)


class Rig(View):
    """One rig."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="rig", responses=answers(RigDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        return Response(RigDetailSerializer(selectors.get_rig_for(_user(request), code)).data)


class RigSetup(View):
    """What a rig was at a time, as a setup for a reduction."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="rig_setup", parameters=[AT], responses=answers(RigSetupSerializer))
    def get(self, request: Request, code: str) -> Response:
        asked = valid(AtSerializer(data=request.query_params))
        rig = selectors.get_rig_for(_user(request), code)
        return Response(RigSetupSerializer(selectors.setup_at(rig, asked.get("at") or timezone.now())).data)


class Calibrations(View):
    """Calibrations of a rig's sensors, newest first."""

    rights = {"GET": "laboratory.read", "POST": "rig.calibrate"}
    parser_classes = PARSERS

    @extend_schema(operation_id="rig_calibrations", responses=answers(CalibrationSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        rig = selectors.get_rig_for(_user(request), code)
        return self.page(selectors.calibrations_of_rig(rig), CalibrationSerializer)

    @extend_schema(
        operation_id="rig_calibrate",
        request=CalibrationRequestSerializer,
        responses=answers(CalibrationSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user, content = _user(request), valid(CalibrationRequestSerializer(data=request.data))
        sensor = selectors.get_sensor_for(user, selectors.get_rig_for(user, code), content.pop("sensor"))
        file = content.pop("certificate", None)
        stored = store_file(file, name=file.name, media_type=file.content_type, by=user) if file else None
        facts = {"valid_from": timezone.now(), "certificate": stored} | content
        made = once(self.key, services.calibrate)(sensor, actor=user, **facts)
        return Response(CalibrationSerializer(made).data, status=201)


class CalibrationDecision(View):
    """Decide about a proposed calibration; not by who did it."""

    rights = {"POST": "rig.approve_calibration"}
    approve = True

    @extend_schema(request=ReasonSerializer, responses=answers(CalibrationSerializer), parameters=[KEY])
    def post(self, request: Request, code: str, pk: int) -> Response:
        user = _user(request)
        found = selectors.get_calibration_for(user, selectors.get_rig_for(user, code), pk)
        act = services.approve_calibration if self.approve else services.turn_down_calibration
        reason = str(valid(ReasonSerializer(data=request.data))["reason"])
        return Response(CalibrationSerializer(once(self.key, act)(found, actor=user, reason=reason)).data)


def _user(request: Request) -> Any:
    return request.user


def _configure(rig: Any, *, actor: Any, key: str | None, **content: Any) -> Any:
    blocks = services.Blocks(
        selectors.get_block_for(actor, content.pop("hot_block")),
        selectors.get_block_for(actor, content.pop("cold_block")),
    )
    channels = [_spec(actor, rig, dict(row)) for row in content.pop("channels")]
    if "zero_max_age_seconds" in content:
        content["zero_max_age"] = timedelta(seconds=content.pop("zero_max_age_seconds"))
    return once(key, services.configure_rig)(rig, actor=actor, blocks=blocks, channels=channels, **content)


_configure.__doc__ = services.configure_rig.__doc__


def _spec(user: Any, rig: Any, row: dict[str, Any]) -> services.ChannelSpec:
    serial = row.pop("sensor")
    return services.ChannelSpec(**row, sensor=selectors.get_sensor_for(user, rig, serial) if serial else None)


RIG = RecordRoutes(
    "rig",
    "rigs",
    selectors.get_rig_for,
    RigDetailSerializer,
    (
        RouteAct("change", "rig.change", services.change_rig, ChangeRigSerializer),
        RouteAct("note", "rig.note", services.note_rig, RigNoteSerializer),
        RouteAct("add-sensor", "rig.add_sensor", services.add_sensor, SensorRequestSerializer),
        RouteAct("configure", "rig.configure", _configure, RigConfigurationRequestSerializer),
        RouteAct("take-out", "rig.out_of_service", services.take_rig_out, ReasonSerializer),
        RouteAct("return", "rig.return_to_service", services.return_rig, ReasonSerializer),
        *HOLD_ACTS,
    ),
)

urlpatterns = [
    path("blocks/", Blocks.as_view(), name="api-blocks"),
    path("blocks/<str:code>/", Block.as_view(), name="api-block"),
    path("rigs/", Rigs.as_view(), name="api-rigs"),
    path("rigs/<str:code>/setup/", RigSetup.as_view(), name="api-rig-setup"),
    path("rigs/<str:code>/calibrations/", Calibrations.as_view(), name="api-rig-calibrations"),
    path(
        "rigs/<str:code>/calibrations/<int:pk>/approve/",
        CalibrationDecision.as_view(),
        name="api-rig-calibration-approve",
    ),
    path(
        "rigs/<str:code>/calibrations/<int:pk>/turn-down/",
        CalibrationDecision.as_view(approve=False),
        name="api-rig-calibration-turn-down",
    ),
    *RIG.paths(),
    path("rigs/<str:code>/", Rig.as_view(), name="api-rig"),
]
