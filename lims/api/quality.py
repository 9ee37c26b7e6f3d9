"""Nonconformances, and where a lot or a batch stands before quality's decision."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.api.acts import ReasonSerializer, RecordRoutes, RouteAct, answers
from lims.api.base import View
from lims.cases import selectors, services
from lims.cases.states import NonconformanceState
from lims.formulations.selectors import get_batch_for
from lims.materials.selectors import get_lot_for
from lims.quality.selectors import standing_of_batch, standing_of_lot

STATE = OpenApiParameter("state", str, enum=NonconformanceState.values)


class NonconformanceSerializer(serializers.Serializer[Any]):
    """One nonconformance."""

    code = serializers.CharField()
    title = serializers.CharField()
    description = serializers.CharField()
    state = serializers.CharField()
    subject_kind = serializers.CharField()
    subject_code = serializers.CharField()
    opened_by = serializers.CharField(source="opened_by.username", default=None, allow_null=True)
    created_at = serializers.DateTimeField()
    cause = serializers.CharField()
    action = serializers.CharField()
    closed_at = serializers.DateTimeField(allow_null=True)


class CloseSerializer(serializers.Serializer[Any]):
    """The cause, and what was done."""

    cause = serializers.CharField()
    action = serializers.CharField()


class MissingSerializer(serializers.Serializer[Any]):
    """One thing missing before a release; `by_reason`: a stated reason is enough."""

    code = serializers.CharField()
    words = serializers.CharField()
    by_reason = serializers.BooleanField()


class JudgementSerializer(serializers.Serializer[Any]):
    """One limit judged now, in SI."""

    quantity = serializers.CharField(source="limit.quantity")
    as_entered = serializers.CharField(source="limit.as_entered")
    specification = serializers.CharField(source="version.code")
    outcome = serializers.CharField()
    probability = serializers.FloatField(allow_null=True)
    wrong_acceptance = serializers.FloatField(allow_null=True)
    value = serializers.FloatField(source="worst.value", default=None, allow_null=True)
    u = serializers.FloatField(source="worst.u", default=None, allow_null=True)
    evidence = serializers.ListField(child=serializers.CharField())
    message = serializers.CharField()


class StandingSerializer(serializers.Serializer[Any]):
    """Where a lot or a batch stands."""

    judgements = JudgementSerializer(many=True)
    missing = MissingSerializer(many=True)


class Nonconformances(View):
    """Nonconformances."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(
        operation_id="nonconformances", parameters=[STATE], responses=answers(NonconformanceSerializer(many=True))
    )
    def get(self, request: Request) -> Response:
        rows = selectors.nonconformances(state=request.query_params.get("state", ""))
        return self.page(rows, NonconformanceSerializer)


class Nonconformance(View):
    """One nonconformance."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="nonconformance", responses=answers(NonconformanceSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(NonconformanceSerializer(selectors.get_nonconformance_for(user, code)).data)


class LotStanding(View):
    """A lot against its limits, and what is missing for its release."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="lot_standing", responses=answers(StandingSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(StandingSerializer(standing_of_lot(get_lot_for(user, code))).data)


class BatchStanding(View):
    """A batch against its limits, and what is missing for its release."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="batch_standing", responses=answers(StandingSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(StandingSerializer(standing_of_batch(get_batch_for(user, code))).data)


NONCONFORMANCE = RecordRoutes(
    "nonconformance",
    "nonconformances",
    selectors.get_nonconformance_for,
    NonconformanceSerializer,
    (
        RouteAct("close", "nonconformance.close", services.close_nonconformance, CloseSerializer),
        RouteAct("cancel", "nonconformance.close", services.cancel_nonconformance, ReasonSerializer),
    ),
)

urlpatterns = [
    path("nonconformances/", Nonconformances.as_view(), name="api-nonconformances"),
    *NONCONFORMANCE.paths(),
    path("nonconformances/<str:code>/", Nonconformance.as_view(), name="api-nonconformance"),
    path("lots/<str:code>/standing/", LotStanding.as_view(), name="api-lot-standing"),
    path("batches/<str:code>/standing/", BatchStanding.as_view(), name="api-batch-standing"),
]
