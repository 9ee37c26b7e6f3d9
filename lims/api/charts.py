"""Control charts: points, limits, signals."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, RecordRoutes, RouteAct, answers
from lims.api.base import View, valid
from lims.quality import control, services


class ChartRequestSerializer(serializers.Serializer[Any]):
    """What is watched: a rig (with `sample` and `method`), a material or a formulation, by code."""

    subject = serializers.CharField()
    quantity = serializers.CharField()
    rules = serializers.ChoiceField(choices=list(control.RULES), default="zones")
    sample = serializers.CharField(required=False, allow_blank=True, default="")
    method = serializers.CharField(required=False, allow_blank=True, default="")


class PointSerializer(serializers.Serializer[Any]):
    """One result on a chart, in SI."""

    code = serializers.CharField()
    at = serializers.DateTimeField()
    value = serializers.FloatField()
    u = serializers.FloatField(allow_null=True)


class PhaseSerializer(serializers.Serializer[Any]):
    """The phase in force, in SI."""

    level = serializers.FloatField()
    sigma = serializers.FloatField()
    points = serializers.ListField(child=serializers.CharField())
    signed_by = serializers.CharField(source="signature.printed_name")
    at = serializers.DateTimeField()


class SignalSerializer(serializers.Serializer[Any]):
    """A rule broken by a point."""

    number = serializers.IntegerField(source="pk")
    point = serializers.CharField()
    rule = serializers.CharField()
    answer = serializers.CharField()
    answered_at = serializers.DateTimeField(allow_null=True)


class ChartSerializer(serializers.Serializer[Any]):
    """One chart."""

    code = serializers.CharField()
    subject = serializers.CharField(source="subject_code")
    quantity = serializers.CharField()
    rules = serializers.CharField()
    sample = serializers.CharField(source="sample_code")
    method = serializers.CharField(source="method_code")
    signals = SignalSerializer(many=True, source="signals.all")


class ChartDetailSerializer(ChartSerializer):
    """One chart with its points and its phase."""

    phase = serializers.SerializerMethodField()
    points = serializers.SerializerMethodField()

    @extend_schema_field(PhaseSerializer(allow_null=True))
    def get_phase(self, chart: Any) -> Any:
        found = control.phase_of(chart)
        return PhaseSerializer(found).data if found else None

    @extend_schema_field(PointSerializer(many=True))
    def get_points(self, chart: Any) -> Any:
        return PointSerializer(control.points_of(chart), many=True).data


class FixSerializer(serializers.Serializer[Any]):
    """Which points fix the limits, from 1; the act is signed."""

    first = serializers.IntegerField(min_value=1)
    last = serializers.IntegerField(min_value=2)
    reason = serializers.CharField()
    password = serializers.CharField(write_only=True)


class AnswerSerializer(serializers.Serializer[Any]):
    """What was the matter with the signal of this number, and what was done."""

    number = serializers.IntegerField()
    answer = serializers.CharField()


class Charts(View):
    """Control charts."""

    rights = {"GET": "laboratory.read", "POST": "chart.create"}

    @extend_schema(operation_id="charts", responses=answers(ChartSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(control.charts(), ChartSerializer)

    @extend_schema(
        operation_id="chart_create",
        request=ChartRequestSerializer,
        responses=answers(ChartDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(ChartRequestSerializer(data=request.data))
        made = once(self.key, services.create_chart)(
            actor=user,
            subject=services.subject_of(content["subject"]),
            quantity=content["quantity"],
            rules=content["rules"],
            anchor=(content["sample"], content["method"]),
        )
        return Response(ChartDetailSerializer(control.get_chart_for(user, made.code)).data, status=201)


class Chart(View):
    """One control chart."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="chart", responses=answers(ChartDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(ChartDetailSerializer(control.get_chart_for(user, code)).data)


def _answer(chart: Any, *, actor: Any, number: int, answer: str, key: str | None = None) -> Any:
    """Answer a signal of the chart."""
    return once(key, services.answer_signal)(
        control.get_signal_for(actor, chart, number), actor=actor, answer=answer
    ).chart


CHART = RecordRoutes(
    "chart",
    "charts",
    control.get_chart_for,
    ChartDetailSerializer,
    (
        RouteAct("fix-phase", "chart.fix_phase", services.fix_phase, FixSerializer),
        RouteAct("answer", "chart.answer", _answer, AnswerSerializer),
    ),
)

urlpatterns = [
    path("charts/", Charts.as_view(), name="api-charts"),
    *CHART.paths(),
    path("charts/<str:code>/", Chart.as_view(), name="api-chart"),
]
