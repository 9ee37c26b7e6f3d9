"""Plans of applications: draw, accept, work down."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, RecordRoutes, RouteAct, answers
from lims.api.applications import ApplicationDetailSerializer, ApplySerializer
from lims.api.base import View, valid
from lims.core.quantities import mass_in_kg
from lims.rigs.selectors import get_block_for, get_method_version_for, get_rig_for
from lims.runs.selectors import plans as selectors
from lims.runs.selectors.applications import get_application_for
from lims.runs.services import plans as services
from lims.runs.services.applications import Faces
from lims.samples.selectors import get_sample_for


class DrawPlanSerializer(serializers.Serializer[Any]):
    """What a plan is drawn from; samples, rigs and the method by their codes."""

    title = serializers.CharField(max_length=200)
    method_version = serializers.CharField()
    samples = serializers.ListField(child=serializers.CharField(), allow_empty=False)
    rigs = serializers.ListField(child=serializers.CharField(), allow_empty=False)
    reference = serializers.CharField(required=False, allow_null=True, help_text="Put on once in every block.")
    replicates = serializers.IntegerField(min_value=1)
    days = serializers.IntegerField(min_value=1)
    per_block = serializers.IntegerField(min_value=1, help_text="Applications on one rig within one day.")
    first_day = serializers.DateField(required=False, allow_null=True)
    seed = serializers.IntegerField(required=False, allow_null=True, min_value=0, max_value=2**31 - 1)


class TestPlanSerializer(serializers.Serializer[Any]):
    """One plan."""

    code = serializers.CharField()
    title = serializers.CharField()
    state = serializers.CharField()
    method_version = serializers.CharField(source="method_version.code")
    reference = serializers.CharField(source="reference.code", default=None, allow_null=True)
    seed = serializers.IntegerField()
    replicates = serializers.IntegerField()
    days = serializers.IntegerField()
    per_block = serializers.IntegerField()
    first_day = serializers.DateField(allow_null=True)
    planned_by = serializers.CharField(source="planned_by.username")


class PlanLineSerializer(serializers.Serializer[Any]):
    """One line of a plan, and what became of it."""

    position = serializers.IntegerField()
    day = serializers.IntegerField()
    block = serializers.IntegerField()
    rig = serializers.CharField(source="rig.code")
    sample = serializers.CharField(source="sample.code")
    as_reference = serializers.BooleanField()
    application = serializers.CharField(source="application.code", default=None, allow_null=True)
    skipped_reason = serializers.CharField()
    out_of_order = serializers.CharField()


class TestPlanDetailSerializer(TestPlanSerializer):
    """One plan with its lines, and whether it is as even as numbers allow."""

    lines = serializers.SerializerMethodField()
    even = serializers.SerializerMethodField()

    def get_lines(self, plan: Any) -> list[dict[str, Any]]:
        return list(PlanLineSerializer(selectors.lines_of(plan), many=True).data)

    def get_even(self, plan: Any) -> bool:
        return selectors.evenness_of(plan).even


class AcceptPlanSerializer(serializers.Serializer[Any]):
    """When it begins."""

    first_day = serializers.DateField(required=False, allow_null=True)


class ApplyLineSerializer(ApplySerializer):
    """What is said when the material is put on, the two blocks, and why where the order is left."""

    hot_block = serializers.CharField()
    cold_block = serializers.CharField()
    out_of_order = serializers.CharField(required=False, allow_blank=True)


class Plans(View):
    """Plans of applications."""

    rights = {"GET": "laboratory.read", "POST": "plan.draw"}

    @extend_schema(
        operation_id="plans",
        parameters=[OpenApiParameter("state", str)],
        responses=answers(TestPlanSerializer(many=True)),
    )
    def get(self, request: Request) -> Response:
        user: Any = request.user
        return self.page(selectors.plans_for(user, state=request.query_params.get("state", "")), TestPlanSerializer)

    @extend_schema(
        operation_id="plan_draw",
        request=DrawPlanSerializer,
        responses=answers(TestPlanDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        user: Any = request.user
        content = valid(DrawPlanSerializer(data=request.data))
        reference = content.pop("reference", None)
        content["samples"] = [get_sample_for(user, code) for code in content["samples"]]
        content["rigs"] = [get_rig_for(user, code) for code in content["rigs"]]
        content["method_version"] = get_method_version_for(user, content["method_version"])
        made = once(self.key, services.draw_plan)(
            actor=user, reference=get_sample_for(user, reference) if reference else None, **content
        )
        return Response(TestPlanDetailSerializer(selectors.get_plan_for(user, made.code)).data, status=201)


class Plan(View):
    """One plan."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="plan", responses=answers(TestPlanDetailSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(TestPlanDetailSerializer(selectors.get_plan_for(user, code)).data)


class PlanLineApply(View):
    """Put on what a line asks for."""

    rights = {"POST": "plan.work"}

    @extend_schema(
        operation_id="plan_line_apply",
        request=ApplyLineSerializer,
        responses=answers(ApplicationDetailSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str, position: int) -> Response:
        user: Any = request.user
        content = valid(ApplyLineSerializer(data=request.data))
        faces = Faces(get_block_for(user, content.pop("hot_block")), get_block_for(user, content.pop("cold_block")))
        content["amount"] = mass_in_kg(content["amount"], unit=content.pop("unit"), field="unit")
        line = selectors.get_line_for(user, code, position)
        made = once(self.key, services.apply_line)(line, actor=user, faces=faces, **content)
        return Response(ApplicationDetailSerializer(get_application_for(user, made.code)).data, status=201)


class PlanLineSkip(View):
    """Leave a line out."""

    rights = {"POST": "plan.work"}

    @extend_schema(
        operation_id="plan_line_skip", request=ReasonSerializer, responses=answers(PlanLineSerializer), parameters=[KEY]
    )
    def post(self, request: Request, code: str, position: int) -> Response:
        user: Any = request.user
        content = valid(ReasonSerializer(data=request.data))
        line = selectors.get_line_for(user, code, position)
        done = once(self.key, services.skip_line)(line, actor=user, **content)
        return Response(PlanLineSerializer(done).data)


PLAN = RecordRoutes(
    "test-plan",
    "plans",
    selectors.get_plan_for,
    TestPlanDetailSerializer,
    (
        RouteAct("accept", "plan.accept", services.accept_plan, AcceptPlanSerializer),
        RouteAct("abandon", "plan.abandon", services.abandon_plan, ReasonSerializer),
    ),
)

urlpatterns = [
    path("plans/", Plans.as_view(), name="api-plans"),
    path("plans/<str:code>/lines/<int:position>/apply/", PlanLineApply.as_view(), name="api-plan-line-apply"),
    path("plans/<str:code>/lines/<int:position>/skip/", PlanLineSkip.as_view(), name="api-plan-line-skip"),
    *PLAN.paths(),
    path("plans/<str:code>/", Plan.as_view(), name="api-plan"),
]
