"""Nonconformances, and where a lot or a batch stands before quality's decision."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.selectors import get_person_named
from lims.api.acts import ReasonSerializer, RecordRoutes, RouteAct, answers
from lims.api.base import View
from lims.api.conceding import PasswordSerializer
from lims.cases import selectors, services
from lims.cases.states import CHECKLIST, NonconformanceState
from lims.core.errors import Invalid
from lims.files.selectors import get_file_for
from lims.formulations.selectors import get_batch_for
from lims.materials.selectors import get_lot_for
from lims.quality.selectors import standing_of_batch, standing_of_lot

STATE = OpenApiParameter("state", str, enum=["standing", *NonconformanceState.values])


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
    checklist = serializers.DictField(child=serializers.DictField())
    finding = serializers.CharField()
    cause_kind = serializers.CharField()
    cause = serializers.CharField()
    disposition = serializers.CharField()
    impact = serializers.CharField()
    owner = serializers.CharField(source="owner.username", default=None, allow_null=True)
    due_on = serializers.DateField(allow_null=True)
    action = serializers.CharField()
    check_on = serializers.DateField(allow_null=True)
    effectiveness = serializers.CharField()
    closed_at = serializers.DateTimeField(allow_null=True)


CAUSE_KINDS = selectors.CAUSE_KINDS


class ItemSerializer(serializers.Serializer[Any]):
    """One item of the checklist answered."""

    item = serializers.ChoiceField(choices=list(CHECKLIST))
    seen = serializers.CharField()
    in_order = serializers.BooleanField()


class CauseSerializer(PasswordSerializer):
    """An assignable cause; `evidence` is the SHA-256 of a stored file; a second person gives their password, too."""

    cause_kind = serializers.ChoiceField(choices=CAUSE_KINDS)
    cause = serializers.CharField()
    evidence = serializers.CharField()
    second = serializers.CharField()
    second_password = serializers.CharField(write_only=True)


class FindingSerializer(serializers.Serializer[Any]):
    """What the first look found."""

    finding = serializers.CharField()


class ReviewSerializer(FindingSerializer):
    """What the review found, and the most likely cause."""

    cause_kind = serializers.ChoiceField(choices=CAUSE_KINDS)
    cause = serializers.CharField()


class RepeatsSerializer(PasswordSerializer):
    """A plan of repeats; `runner` is a user name."""

    kind = serializers.ChoiceField(choices=["retest", "resample"])
    number = serializers.IntegerField(min_value=1, max_value=20)
    basis = serializers.ChoiceField(choices=["each", "mean"], default="each")
    acceptance = serializers.CharField()
    runner = serializers.CharField()
    why = serializers.CharField(required=False, allow_blank=True, default="")


class DispositionSerializer(PasswordSerializer):
    """What is done with the subject; `owner` is a user name."""

    disposition = serializers.ChoiceField(choices=selectors.DISPOSITIONS)
    impact = serializers.CharField()
    owner = serializers.CharField()
    due_on = serializers.DateField()


class ActionSerializer(serializers.Serializer[Any]):
    """What was done, and when its effect is looked at."""

    action = serializers.CharField()
    check_on = serializers.DateField()


class CloseSerializer(PasswordSerializer):
    """What the action achieved; the act is signed."""

    effectiveness = serializers.CharField()


def _named(username: str, field: str) -> Any:
    found = get_person_named(username)
    if found is None:
        raise Invalid(f"There is no account {username} in use.", fields={field: ["A user name is expected."]})
    return found


def _cause(user: Any, content: dict[str, Any]) -> dict[str, Any]:
    found = services.Cause(content["cause_kind"], content["cause"], get_file_for(user, content["evidence"]))
    second = services.Second(_named(content["second"], "second"), content["second_password"])
    return {"password": content["password"], "second": second, "found": found}


def _repeats(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    given = {**content, "runner": _named(content["runner"], "runner")}
    return {"password": given.pop("password"), "repeats": services.Repeats(**given)}


def _deciding(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    given = {**content, "owner": _named(content["owner"], "owner")}
    return {"password": given.pop("password"), "deciding": services.Deciding(**given)}


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


LOOK = "nonconformance.investigate"
NONCONFORMANCE = RecordRoutes(
    "nonconformance",
    "nonconformances",
    selectors.get_nonconformance_for,
    NonconformanceSerializer,
    (
        RouteAct("start", LOOK, services.start_investigation),
        RouteAct("check-item", LOOK, services.check_item, ItemSerializer),
        RouteAct("find-cause", LOOK, services.find_cause, CauseSerializer, _cause),
        RouteAct("find-no-cause", LOOK, services.find_no_cause, FindingSerializer),
        RouteAct("plan-repeats", "nonconformance.decide", services.plan_repeats, RepeatsSerializer, _repeats),
        RouteAct("conclude", LOOK, services.conclude_review, ReviewSerializer),
        RouteAct("decide", "nonconformance.decide", services.decide_disposition, DispositionSerializer, _deciding),
        RouteAct("finish", "nonconformance.act", services.finish_action, ActionSerializer),
        RouteAct("close", "nonconformance.close", services.close_nonconformance, CloseSerializer),
        RouteAct("reopen", "nonconformance.close", services.reopen_nonconformance, ReasonSerializer),
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
