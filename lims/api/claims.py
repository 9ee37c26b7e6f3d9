"""Claims: whether an advertised figure can be, and what a sample measured here makes of it."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.api.base import View, valid
from lims.core.claims import KIND_CHOICES, STATED, judge_claim
from lims.core.errors import Invalid
from lims.core.quantities import to_si
from lims.runs.selectors.claims import claim_beside_sample


class ClaimSerializer(serializers.Serializer[Any]):
    """What is claimed, each value in the unit its name's description gives; at least one, or a sample."""

    kind = serializers.ChoiceField(choices=KIND_CHOICES, required=False, allow_blank=True, default="")
    sample = serializers.CharField(required=False, allow_blank=True, default="", max_length=20)

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """The values of a claim beside its kind and sample."""
        stated = {
            one.name: serializers.FloatField(required=False, help_text=f"{one.label} [{one.unit}]") for one in STATED
        }
        return {**super().get_fields(), **stated}


class ClaimFindingSerializer(serializers.Serializer[Any]):
    """One thing found, in one sentence."""

    code = serializers.CharField()
    verdict = serializers.CharField()
    sentence = serializers.CharField()


class ClaimFollowingSerializer(serializers.Serializer[Any]):
    """A number that follows from what was stated."""

    label = serializers.CharField()  # type: ignore[assignment]
    value = serializers.FloatField()
    unit = serializers.CharField()


class ClaimJudgementSerializer(serializers.Serializer[Any]):
    """The worst verdict (plausible, doubtful, impossible), its sentence, every finding, and what follows by name."""

    verdict = serializers.CharField()
    sentence = serializers.CharField()
    findings = ClaimFindingSerializer(many=True)
    follows = serializers.DictField(child=ClaimFollowingSerializer())


class ClaimMeasuredSerializer(serializers.Serializer[Any]):
    """The claim beside what the newest accepted run of a sample measured; `judged` is null without a conductivity."""

    run = serializers.CharField(source="run.code")
    figures = serializers.DictField()
    judged = ClaimJudgementSerializer(allow_null=True)


class ClaimAnswerSerializer(serializers.Serializer[Any]):
    """The claim by itself, null where only a sample is named, and beside a sample."""

    judged = ClaimJudgementSerializer(allow_null=True)
    measured = ClaimMeasuredSerializer(allow_null=True)


class Claims(View):
    """A claim to be judged; nothing is stored."""

    rights = {"POST": "laboratory.read"}

    @extend_schema(request=ClaimSerializer, responses={200: ClaimAnswerSerializer})
    def post(self, request: Request) -> Response:
        """Judge a claim in sentences. Problem codes: `bad-claim` for values that no claim can have."""
        content = valid(ClaimSerializer(data=request.data))
        kind, code = content.pop("kind"), content.pop("sample")
        if not content and not code:
            raise Invalid("Nothing is claimed.", fields={"conductivity": ["State at least one value, or a sample."]})
        judged = judge_claim(content, kind=kind) if content else None
        claimed = content.get("conductivity")
        conductivity = None if claimed is None else to_si(claimed, unit="W/(m*K)", of="conductivity")
        user: Any = request.user
        measured = claim_beside_sample(user, code, conductivity=conductivity, kind=kind) if code else None
        return Response(ClaimAnswerSerializer({"judged": judged, "measured": measured}).data)


urlpatterns = [path("claims/", Claims.as_view(), name="api-claims")]
