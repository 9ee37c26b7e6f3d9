"""Find records by words, also mistyped ones."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.api.acts import answers
from lims.api.base import View
from lims.comparisons.search import SEARCHED, find
from lims.core.errors import Invalid


class FoundSerializer(serializers.Serializer[Any]):
    """One record that matches, and how."""

    kind = serializers.CharField()
    code = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]
    how = serializers.CharField(help_text="the same, begins so, holds the words, nearly")


class SearchSerializer(serializers.Serializer[Any]):
    """What was found, best first."""

    found = FoundSerializer(many=True)


class Search(View):
    """Codes, names, supplier's lot numbers."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(
        operation_id="search",
        parameters=[
            OpenApiParameter("q", str, required=True, description="A code or words, also mistyped."),
            OpenApiParameter("kind", str, enum=list(SEARCHED), description="Only records of one kind."),
        ],
        responses=answers(SearchSerializer),
    )
    def get(self, request: Request) -> Response:
        user: Any = request.user
        kind = request.query_params.get("kind", "")
        if kind and kind not in SEARCHED:
            raise Invalid(f"'{kind}' is no kind of record.", fields={"kind": [f"One of: {', '.join(SEARCHED)}."]})
        found = find(user, request.query_params.get("q", ""), kind=kind)
        return Response(SearchSerializer({"found": found}).data)


urlpatterns = [path("search/", Search.as_view(), name="api-search")]
