"""Labels as a PDF, and formats of labels."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ProblemSerializer, answers
from lims.api.base import View, valid
from lims.core.errors import Invalid
from lims.core.labels import MOST, Label, draw_many
from lims.samples import selectors, services


class LabelsSerializer(serializers.Serializer[Any]):
    """Samples whose labels are printed, the format (`sheet`, `printer` or one of the laboratory's), where to begin."""

    codes = serializers.ListField(child=serializers.CharField(), allow_empty=False, max_length=MOST)
    format = serializers.CharField(default="sheet")
    start = serializers.IntegerField(default=1, min_value=1, help_text="First free position, along the rows, from 1.")


class LabelFormatSerializer(serializers.Serializer[Any]):
    """A format of labels; sizes in mm."""

    name = serializers.CharField(max_length=80)
    medium = serializers.ChoiceField(choices=selectors.MEDIA)
    width = serializers.FloatField()
    height = serializers.FloatField()
    columns = serializers.IntegerField(default=1)
    rows = serializers.IntegerField(default=1)
    page_width = serializers.FloatField(required=False, allow_null=True)
    page_height = serializers.FloatField(required=False, allow_null=True)
    margin_left = serializers.FloatField(default=0)
    margin_top = serializers.FloatField(default=0)
    pitch_across = serializers.FloatField(required=False, allow_null=True)
    pitch_down = serializers.FloatField(required=False, allow_null=True)


class Labels(View):
    """Labels of samples, ready to print."""

    rights = {"POST": "laboratory.read"}

    @extend_schema(
        operation_id="labels_print",
        request=LabelsSerializer,
        responses={
            (200, "application/pdf"): OpenApiTypes.BINARY,
            **{(code, "application/problem+json"): ProblemSerializer for code in (401, 403, 404, 422)},
        },
    )
    def post(self, request: Request) -> HttpResponse:
        user: Any = request.user
        content = valid(LabelsSerializer(data=request.data))
        samples = [selectors.get_sample_for(user, code) for code in content["codes"]]
        if len(samples) != len({sample.code for sample in samples}):
            raise Invalid("A code comes twice.", fields={"codes": ["Give each once."]})
        labels = [_label(request, sample) for sample in samples]
        layout = selectors.layout_called(user, content["format"])
        return HttpResponse(draw_many(labels, layout=layout, start=content["start"]), content_type="application/pdf")


def _label(request: Request, sample: Any) -> Label:
    says = selectors.says_of(sample)
    return Label(address=request.build_absolute_uri(f"/c/{sample.code}"), code=sample.code, **says)


class LabelFormats(View):
    """Formats of labels."""

    rights = {"GET": "laboratory.read", "POST": "label.set_format"}

    @extend_schema(operation_id="label_formats", responses=answers(LabelFormatSerializer(many=True)))
    def get(self, request: Request) -> Response:
        user: Any = request.user
        return self.page(selectors.label_formats_for(user), LabelFormatSerializer)

    @extend_schema(
        operation_id="label_format_set",
        request=LabelFormatSerializer,
        responses=answers(LabelFormatSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(LabelFormatSerializer(data=request.data))
        row = once(self.key, services.set_label_format)(actor=user, **content)
        return Response(LabelFormatSerializer(row).data, status=201)


urlpatterns = [
    path("labels/", Labels.as_view(), name="api-labels"),
    path("label-formats/", LabelFormats.as_view(), name="api-label-formats"),
]
