"""Figures of rigs: propose from runs, accept, turn down."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.acts import KEY, ReasonSerializer, RecordRoutes, RouteAct, answers
from lims.api.base import View, valid
from lims.rigs.selectors import get_rig_for
from lims.runs.selectors import rig_figures as selectors
from lims.runs.services import rig_figures as services


class RigFigureSerializer(serializers.Serializer[Any]):
    """One figure of a rig, in SI."""

    code = serializers.CharField()
    rig = serializers.CharField(source="rig.code")
    kind = serializers.CharField()
    state = serializers.CharField()
    quantity = serializers.CharField()
    value = serializers.FloatField()
    u = serializers.FloatField()
    dof = serializers.FloatField(allow_null=True, help_text="None: infinite.")
    proposed_by = serializers.CharField(source="proposed_by.username")
    decided_by = serializers.CharField(source="decided_by.username", default=None, allow_null=True)
    valid_from = serializers.DateTimeField(allow_null=True)
    configuration = serializers.IntegerField(source="configuration.number", default=None, allow_null=True)


class ProposalSerializer(serializers.Serializer[Any]):
    """Which figure, found in which runs, which were made for what."""

    kind = serializers.ChoiceField(choices=[key for key, _ in selectors.KINDS])
    runs = serializers.ListField(child=serializers.CharField(), allow_empty=False)
    reason = serializers.CharField()


class AcceptSerializer(serializers.Serializer[Any]):
    """From when it holds (now where left out), why; the act is signed."""

    valid_from = serializers.DateTimeField(required=False, allow_null=True)
    reason = serializers.CharField()
    password = serializers.CharField(write_only=True)


class RigFigures(View):
    """The figures of one rig; POST finds one in runs and proposes it."""

    rights = {"GET": "laboratory.read", "POST": "rig.propose_figure"}

    @extend_schema(operation_id="rig_figures", responses=answers(RigFigureSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return self.page(selectors.figures_of_rig(get_rig_for(user, code)), RigFigureSerializer)

    @extend_schema(
        operation_id="rig_figure_propose",
        request=ProposalSerializer,
        responses=answers(RigFigureSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        user: Any = request.user
        content = valid(ProposalSerializer(data=request.data))
        made = once(self.key, services.propose_rig_figure)(
            get_rig_for(user, code),
            actor=user,
            kind=content["kind"],
            runs=selectors.get_runs_for_figures(user, content["runs"]),
            reason=content["reason"],
        )
        return Response(RigFigureSerializer(made).data, status=201)


class RigFigure(View):
    """One figure of a rig."""

    rights = {"GET": "laboratory.read"}

    @extend_schema(operation_id="rig_figure", responses=answers(RigFigureSerializer))
    def get(self, request: Request, code: str) -> Response:
        user: Any = request.user
        return Response(RigFigureSerializer(selectors.get_rig_figure_for(user, code)).data)


def _accepting(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    accepting = services.Accepting(content["reason"], content.get("valid_from"))
    return {"password": content["password"], "accepting": accepting}


FIGURE = RecordRoutes(
    "rig-figure",
    "rig-figures",
    selectors.get_rig_figure_for,
    RigFigureSerializer,
    (
        RouteAct("accept", "rig.accept_figure", services.accept_rig_figure, AcceptSerializer, _accepting),
        RouteAct("turn-down", "rig.accept_figure", services.turn_down_rig_figure, ReasonSerializer),
    ),
)

urlpatterns = [
    path("rigs/<str:code>/figures/", RigFigures.as_view(), name="api-rig-figures"),
    *FIGURE.paths(),
    path("rig-figures/<str:code>/", RigFigure.as_view(), name="api-rig-figure"),
]
