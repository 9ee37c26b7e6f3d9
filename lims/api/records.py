"""The history, the chain, and stored files."""

from __future__ import annotations

from django.http import FileResponse
from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.api.base import View
from lims.audit import selectors, services
from lims.files.selectors import get_file_for, open_file

FILTERS = ("person", "act", "code", "since", "until")


class EntrySerializer(serializers.Serializer[object]):
    """One act of the history."""

    id = serializers.IntegerField()
    at = serializers.DateTimeField()
    person = serializers.CharField(source="actor.username", default=None, allow_null=True)
    act = serializers.CharField()
    subject_kind = serializers.CharField()
    subject_code = serializers.CharField()
    changes = serializers.JSONField()
    reason = serializers.CharField()
    request_id = serializers.CharField()
    refused = serializers.BooleanField()


class ChainSerializer(serializers.Serializer[object]):
    """What a check of the chain found."""

    holds = serializers.BooleanField()
    links = serializers.IntegerField()
    unsealed = serializers.IntegerField()
    broken_at = serializers.IntegerField(allow_null=True)
    broken_entry = serializers.IntegerField(allow_null=True)
    message = serializers.CharField()


class ReadableEntrySerializer(EntrySerializer):
    """One act, without what the reader may not see."""

    def to_representation(self, instance: object) -> dict[str, object]:
        selectors.readable([instance], self.context["request"].user)  # type: ignore[list-item]
        return dict(super().to_representation(instance))


class History(View):
    """Every act, newest first; narrowed by person, act, code, since, until."""

    rights = {"GET": "history.read"}

    @extend_schema(
        parameters=[OpenApiParameter(name, str, description=f"Narrow by {name}.") for name in FILTERS],
        responses=EntrySerializer(many=True),
    )
    def get(self, request: Request) -> Response:
        chosen = {name: request.query_params.get(name, "") for name in FILTERS}
        return self.page(selectors.entries_for(request.user, **chosen), ReadableEntrySerializer)


class Chain(View):
    """Walk the chain and say whether every link stands."""

    rights = {"GET": "history.seal"}

    @extend_schema(responses=ChainSerializer)
    def get(self, request: Request) -> Response:
        return Response(ChainSerializer(services.verify()).data)


class File(View):
    """A stored file, byte for byte."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    def get(self, request: Request, sha256: str) -> FileResponse:
        row = get_file_for(request.user, sha256)
        response = FileResponse(
            open_file(row), as_attachment=True, filename=row.name, content_type="application/octet-stream"
        )
        response["Repr-Digest"] = row.repr_digest
        return response


urlpatterns = [
    path("history/", History.as_view(), name="api-history"),
    path("history/chain/", Chain.as_view(), name="api-chain"),
    path("files/<str:sha256>/", File.as_view(), name="api-file"),
]
