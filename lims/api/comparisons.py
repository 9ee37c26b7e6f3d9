"""Comparisons: pose a question, read the ranking with all that was left out."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY
from lims.api.base import View, valid
from lims.comparisons import selectors, services
from lims.rigs.selectors import get_method_version_for
from lims.samples.selectors import get_sample_for

READ = "laboratory.read"


def _actor(request: Request) -> Any:
    return request.user


class ComparisonSerializer(serializers.Serializer[Any]):
    """A question put to the measurements."""

    code = serializers.CharField()
    title = serializers.CharField()
    question = serializers.CharField()
    method = serializers.CharField(source="method_version.code")
    figure = serializers.CharField()
    reference = serializers.CharField(source="reference.code", default=None, allow_null=True)
    confidence = serializers.FloatField()
    state = serializers.CharField()
    version = serializers.IntegerField()
    posed_by = serializers.CharField(source="posed_by.username")
    created_at = serializers.DateTimeField()


class QuestionSerializer(serializers.Serializer[Any]):
    """What is asked."""

    title = serializers.CharField(max_length=200)
    question = serializers.CharField(required=False, allow_blank=True)
    method = serializers.CharField()
    samples = serializers.ListField(child=serializers.CharField(), allow_empty=False)
    figure = serializers.ChoiceField(choices=selectors.FIGURES, default="temperature_rise")
    reference = serializers.CharField(required=False, allow_null=True)
    confidence = serializers.FloatField(default=0.95, min_value=0.5, max_value=0.999)


class ChangeSerializer(QuestionSerializer):
    """A changed question, and the version it was based on."""

    version = serializers.IntegerField(min_value=0)
    reason = serializers.CharField(required=False, allow_blank=True)


class InclusionRequestSerializer(serializers.Serializer[Any]):
    """A sample to be ranked although something speaks against it."""

    sample = serializers.CharField()
    reason = serializers.CharField()


class InclusionSerializer(serializers.Serializer[Any]):
    """A sample included with a reason."""

    sample = serializers.CharField(source="sample.code")
    reason = serializers.CharField()
    by = serializers.CharField(source="by.username")
    at = serializers.DateTimeField()


class ItemSerializer(serializers.Serializer[Any]):
    """One sample; `rank` is absent where nothing could be ranked or the sample is provisional."""

    rank = serializers.IntegerField(required=False)
    sample = serializers.CharField()
    n = serializers.IntegerField(help_text="applications")
    runs = serializers.IntegerField()
    mean = serializers.FloatField()
    u = serializers.FloatField(allow_null=True)
    dof = serializers.FloatField(allow_null=True)
    u_between = serializers.FloatField(allow_null=True)
    u_common = serializers.FloatField(allow_null=True)
    interval = serializers.ListField(child=serializers.FloatField(), allow_null=True)
    letters = serializers.CharField()
    provisional = serializers.BooleanField()
    applications = serializers.DictField(child=serializers.FloatField())
    rigs = serializers.ListField(child=serializers.CharField())
    notes = serializers.ListField(child=serializers.CharField())
    marks = serializers.ListField(child=serializers.CharField(), help_text="what speaks against it, where included")


class ReasonSerializer(serializers.Serializer[Any]):
    """Why a run is left out, and what would let it in."""

    key = serializers.CharField()
    message = serializers.CharField()
    change = serializers.CharField()


class LeftOutSerializer(serializers.Serializer[Any]):
    """One run that is not ranked."""

    id = serializers.CharField()
    sample = serializers.CharField(allow_null=True)
    application = serializers.CharField(allow_null=True)
    value = serializers.FloatField(allow_null=True)
    u = serializers.FloatField(allow_null=True)
    reasons = ReasonSerializer(many=True)


class RankingSerializer(serializers.Serializer[Any]):
    """The answer as it stands now."""

    comparison = serializers.CharField()
    title = serializers.CharField(help_text="5 of 9 runs used; 4 left out")
    figure = serializers.CharField()
    unit = serializers.CharField()
    confidence = serializers.FloatField()
    required = serializers.IntegerField()  # type: ignore[assignment]  # a key of the answer
    used = serializers.IntegerField()
    total = serializers.IntegerField()
    refusals = serializers.ListField(child=serializers.CharField())
    ranking = ItemSerializer(many=True)
    provisional = ItemSerializer(many=True)
    left_out = LeftOutSerializer(many=True)
    conditions = serializers.ListField(child=serializers.DictField())
    statistics = serializers.DictField(allow_null=True)
    differences = serializers.ListField(child=serializers.DictField())
    neighbours = serializers.ListField(child=serializers.DictField())
    reference = serializers.CharField(allow_null=True)
    against_reference = serializers.ListField(child=serializers.DictField())
    notes = serializers.ListField(child=serializers.CharField())
    digest = serializers.CharField(help_text="of all that the answer follows from")


class Comparisons(View):
    """The comparisons."""

    rights = {"GET": READ, "POST": "comparison.pose"}

    @extend_schema(responses=ComparisonSerializer(many=True))
    def get(self, request: Request) -> Response:
        return self.page(selectors.comparisons_for(_actor(request)), ComparisonSerializer)

    @extend_schema(request=QuestionSerializer, parameters=[KEY], responses={201: ComparisonSerializer})
    def post(self, request: Request) -> Response:
        """Ask how samples rank under one method."""
        asked, actor = _asked(request, valid(QuestionSerializer(data=request.data))), _actor(request)
        made = once(self.key, services.pose_comparison)(actor=actor, **asked)
        return Response(ComparisonSerializer(made).data, status=201)


def _asked(request: Request, content: dict[str, Any]) -> Any:
    """What was sent, with records in the place of codes."""
    user: Any = request.user
    content["method_version"] = get_method_version_for(user, content.pop("method"))
    content["samples"] = [get_sample_for(user, code) for code in content["samples"]]
    if content.get("reference"):
        content["reference"] = get_sample_for(user, content["reference"])
    return content


class Comparison(View):
    """One comparison."""

    rights = {"GET": READ, "PUT": "comparison.change"}

    @extend_schema(responses=ComparisonSerializer)
    def get(self, request: Request, code: str) -> Response:
        return Response(ComparisonSerializer(selectors.get_comparison_for(_actor(request), code)).data)

    @extend_schema(request=ChangeSerializer, parameters=[KEY], responses=ComparisonSerializer)
    def put(self, request: Request, code: str) -> Response:
        """Change what is asked; a version that is not the newest is refused (412, code `stale`)."""
        found = selectors.get_comparison_for(_actor(request), code)
        content = valid(ChangeSerializer(data=request.data))
        based = {"version": content.pop("version"), "reason": content.pop("reason", "")}
        asked, actor = _asked(request, content), _actor(request)
        made = once(self.key, services.change_comparison)(found, actor=actor, **based, **asked)
        return Response(ComparisonSerializer(made).data)


class Ranking(View):
    """The ranking of one comparison."""

    rights = {"GET": READ}

    @extend_schema(responses=RankingSerializer)
    def get(self, request: Request, code: str) -> Response:
        """The ranking as it stands now, with everything left out; items have no `rank` where `refusals` say why."""
        answer = selectors.answer_of(selectors.get_comparison_for(_actor(request), code))
        content = {**answer.ranking, "comparison": code, "digest": answer.digest}
        for part in ("ranking", "provisional"):
            content[part] = [{**item, "marks": answer.marks.get(item["sample"], [])} for item in content[part]]
        return Response(content)


class SupposedSerializer(serializers.Serializer[Any]):
    """What a reader supposes for a look at the numbers; it never enters a report."""

    spread = serializers.ChoiceField(choices=selectors.SPREADS, default="test")
    margin = serializers.FloatField(required=False, help_text="within which two samples count as the same")
    force_tolerance = serializers.FloatField(required=False, min_value=0, max_value=1, help_text="share")
    heat_flow_tolerance = serializers.FloatField(required=False, min_value=0, max_value=1, help_text="share")
    coolant_tolerance = serializers.FloatField(required=False, min_value=0, help_text="K")


class FurtherSerializer(serializers.Serializer[Any]):
    """What else the numbers tell."""

    best = serializers.DictField(allow_null=True, help_text="probability that each is best; seed and trials with it")
    outliers = serializers.ListField(child=serializers.DictField(), help_text="marked, never dropped")
    more = serializers.ListField(child=serializers.DictField(), help_text="applications that would part neighbours")
    equivalence = serializers.DictField(allow_null=True)
    mixed = serializers.DictField(allow_null=True, help_text="scatter of rigs and days")
    unit = serializers.CharField()


class StatisticsSerializer(serializers.Serializer[Any]):
    """The ranking under what is supposed, and the further statistics."""

    ranking = RankingSerializer()
    further = FurtherSerializer()


class Statistics(View):
    """What else the numbers tell."""

    rights = {"GET": READ}

    @extend_schema(parameters=[SupposedSerializer], responses=StatisticsSerializer)
    def get(self, request: Request, code: str) -> Response:
        """Further statistics under what a reader supposes: spread, margin, tolerances. Nothing of it is kept."""
        found = selectors.get_comparison_for(_actor(request), code)
        asked = valid(SupposedSerializer(data=request.query_params.dict()))
        told = selectors.statistics_of(found, selectors.Supposed(**asked))
        return Response(told)


class TakesFigureSerializer(serializers.Serializer[Any]):
    """A figure in the unit people see."""

    value = serializers.FloatField()
    u = serializers.FloatField()
    dof = serializers.FloatField(allow_null=True)
    k = serializers.FloatField()
    U95 = serializers.FloatField()
    unit = serializers.CharField()


class NeededSerializer(TakesFigureSerializer):
    """A needed value with its interval; `high` is null where the doubt reaches as far as "no value would do"."""

    low = serializers.FloatField()
    high = serializers.FloatField(allow_null=True)


class TakesSerializer(serializers.Serializer[Any]):
    """What one sample would need to draw level with another."""

    sample = serializers.CharField()
    target = serializers.CharField()
    sentence = serializers.CharField()
    reached = serializers.BooleanField()
    unreachable = serializers.BooleanField(help_text="the contact alone takes up as much as the target")
    doubtful = serializers.BooleanField()
    contact_known = serializers.BooleanField(help_text="runs at several gaps part contact and bulk")
    applications = serializers.IntegerField()
    gap = TakesFigureSerializer()
    conductivity = TakesFigureSerializer(help_text="of the bulk where the contact is known, else the apparent one")
    impedance = TakesFigureSerializer()
    target_impedance = TakesFigureSerializer()
    contact = TakesFigureSerializer(allow_null=True)
    contact_share = TakesFigureSerializer(allow_null=True)
    bulk_share = TakesFigureSerializer(allow_null=True)
    rise = TakesFigureSerializer(allow_null=True)
    target_rise = TakesFigureSerializer(allow_null=True)
    floor_rise = TakesFigureSerializer(allow_null=True, help_text="what is left with a perfect bulk")
    needed_conductivity = NeededSerializer(allow_null=True)
    needed_gap = NeededSerializer(allow_null=True)
    by_pressure = TakesFigureSerializer(allow_null=True, help_text="change of the impedance for 10 % more pressure")
    by_heat_flow = TakesFigureSerializer(allow_null=True, help_text="change of the impedance for 10 % more heat flow")


class Takes(View):
    """What it would take."""

    rights = {"GET": READ}

    @extend_schema(
        parameters=[
            OpenApiParameter("sample", str, required=True, description="the sample that shall draw level"),
            OpenApiParameter("target", str, required=True, description="the sample to draw level with"),
        ],
        responses=TakesSerializer,
    )
    def get(self, request: Request, code: str) -> Response:
        """The conductivity at its gap, or the gap at its conductivity, with which `sample` is level with `target`."""
        found = selectors.get_comparison_for(_actor(request), code)
        chosen = {name: request.query_params.get(name, "") for name in ("sample", "target")}
        return Response(selectors.what_it_takes(found, **chosen)["takes"])


class Inclusions(View):
    """Samples included with a reason."""

    rights = {"POST": "comparison.include"}

    @extend_schema(request=InclusionRequestSerializer, parameters=[KEY], responses={201: InclusionSerializer})
    def post(self, request: Request, code: str) -> Response:
        """Rank a sample although a hold, an open case or an exploratory batch speaks against it."""
        found = selectors.get_comparison_for(_actor(request), code)
        content = valid(InclusionRequestSerializer(data=request.data))
        actor = _actor(request)
        sample = get_sample_for(actor, content["sample"])
        made = once(self.key, services.include_sample)(found, actor=actor, sample=sample, reason=content["reason"])
        return Response(InclusionSerializer(made).data, status=201)


urlpatterns = [
    path("comparisons/", Comparisons.as_view(), name="api-comparisons"),
    path("comparisons/<str:code>/", Comparison.as_view(), name="api-comparison"),
    path("comparisons/<str:code>/ranking/", Ranking.as_view(), name="api-comparison-ranking"),
    path("comparisons/<str:code>/statistics/", Statistics.as_view(), name="api-comparison-statistics"),
    path("comparisons/<str:code>/takes/", Takes.as_view(), name="api-comparison-takes"),
    path("comparisons/<str:code>/inclusions/", Inclusions.as_view(), name="api-comparison-inclusions"),
]
