"""Concessions of lots and batches, as routes: two signatures by two persons."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from lims.api.acts import RouteAct
from lims.cases.services import Scope


class ConcessionSerializer(serializers.Serializer[Any]):
    """A concession: for which formulations (none: any), up to which mass [kg] (none: all), until when, why."""

    formulations = serializers.ListField(child=serializers.CharField(), default=list)
    mass = serializers.DecimalField(max_digits=15, decimal_places=9, required=False, allow_null=True, min_value=0)
    until = serializers.DateField()
    reason = serializers.CharField()
    password = serializers.CharField(write_only=True)


class PasswordSerializer(serializers.Serializer[Any]):
    """The password anew: the act is signed."""

    password = serializers.CharField(write_only=True)


def _scope(_user: Any, content: dict[str, Any]) -> dict[str, Any]:
    scope = Scope(content["until"], tuple(content["formulations"]), content.get("mass"))
    return {"scope": scope, "reason": content["reason"], "password": content["password"]}


def concession_routes(kind: str, propose: Any, approve: Any) -> tuple[RouteAct, RouteAct]:
    """The two signatures of a concession."""
    return (
        RouteAct("propose-concession", f"{kind}.concede", propose, ConcessionSerializer, _scope),
        RouteAct("approve-concession", f"{kind}.concede", approve, PasswordSerializer),
    )
