"""Trace a record forward and back; who was told of what is wrong with it."""

from __future__ import annotations

from typing import Any

from django.http import StreamingHttpResponse
from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, answers
from lims.api.base import View, valid
from lims.comparisons import recalls
from lims.comparisons.tracing import DIRECTIONS, start_of, trace
from lims.core.errors import Invalid

MOST = 5000


class NodeSerializer(serializers.Serializer[Any]):
    """One record of a trace."""

    kind = serializers.CharField()
    code = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]
    state = serializers.CharField()


class TraceSerializer(serializers.Serializer[Any]):
    """What a record leads to or came from: how many of each kind, and the first of each."""

    start = NodeSerializer()
    direction = serializers.CharField()
    total = serializers.IntegerField()
    counts = serializers.DictField(child=serializers.IntegerField())
    nodes = NodeSerializer(many=True)


class ToldSerializer(serializers.Serializer[Any]):
    """Who was told, when, how, and what was said."""

    told = serializers.CharField(max_length=200)
    about = serializers.CharField(max_length=200, required=False, allow_blank=True)
    way = serializers.ChoiceField(choices=recalls.WAYS)
    told_at = serializers.DateTimeField()
    words = serializers.CharField()
    by = serializers.CharField(source="by.username", read_only=True)


class TraceOf(View):
    """The trace of one record."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(
        operation_id="trace",
        parameters=[
            OpenApiParameter("direction", str, enum=list(DIRECTIONS), description="Forward unless said otherwise."),
            OpenApiParameter("most", int, description=f"How many records of each kind are listed, up to {MOST}."),
        ],
        responses=answers(TraceSerializer),
    )
    def get(self, request: Request, kind: str, code: str) -> Response:
        user: Any = request.user
        direction: Any = request.query_params.get("direction", "forward")
        if direction not in DIRECTIONS:
            raise Invalid(
                f"'{direction}' is no direction.", fields={"direction": [f"One of: {', '.join(DIRECTIONS)}."]}
            )
        start = start_of(user, kind, code)
        found = trace(user, start, direction, most=_most(request.query_params.get("most", "200")))
        return Response(TraceSerializer(found).data)


def _most(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST:
        raise Invalid(f"'{text}' is not a number from 1 to {MOST}.", fields={"most": [f"1 to {MOST}."]})
    return int(text)


class RecallList(View):
    """The recall list of one record as CSV."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="recall", responses={(200, "text/csv"): OpenApiTypes.STR})
    def get(self, request: Request, kind: str, code: str) -> Any:
        user: Any = request.user
        start = start_of(user, kind, code)
        return StreamingHttpResponse(recalls.recall_lines(user, start), content_type="text/csv; charset=utf-8")


class Told(View):
    """Who was told of what is wrong with one record."""

    rights = {"GET": "laboratory.read", "POST": "recall.tell"}

    @extend_schema(operation_id="recall_told", responses=answers(ToldSerializer(many=True)))
    def get(self, request: Request, kind: str, code: str) -> Response:
        user: Any = request.user
        start = start_of(user, kind, code)
        return self.page(recalls.told_of(user, start.kind, start.code), ToldSerializer)

    @extend_schema(
        operation_id="recall_tell", request=ToldSerializer, responses=answers(ToldSerializer, 201), parameters=[KEY]
    )
    def post(self, request: Request, kind: str, code: str) -> Response:
        user: Any = request.user
        content = valid(ToldSerializer(data=request.data))
        row = once(self.key, recalls.note_told)(start_of(user, kind, code), actor=user, **content)
        return Response(ToldSerializer(row).data, status=201)


urlpatterns = [
    path("trace/<str:kind>/<path:code>/recall.csv", RecallList.as_view(), name="api-recall"),
    path("trace/<str:kind>/<path:code>/told/", Told.as_view(), name="api-recall-told"),
    path("trace/<str:kind>/<path:code>/", TraceOf.as_view(), name="api-trace"),
]
