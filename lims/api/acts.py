"""Acts on a record, as routes: POST /api/lots/LOT-0042/release/. And how every answer is described in OpenAPI."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.urls import URLPattern, path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.api.base import View, valid
from lims.cases import selectors as cases
from lims.cases import services as case_services

KEY = OpenApiParameter("Idempotency-Key", str, OpenApiParameter.HEADER, description="Makes the act safe to repeat.")


class ProblemSerializer(serializers.Serializer[Any]):
    """Why something was refused (RFC 9457)."""

    title = serializers.CharField()
    status = serializers.IntegerField()
    code = serializers.CharField(help_text="Stable: for programs.")
    detail = serializers.CharField()
    next_step = serializers.CharField(required=False)
    fields = serializers.DictField(  # type: ignore[assignment]
        child=serializers.ListField(child=serializers.CharField()), required=False
    )
    request_id = serializers.CharField()


class ReasonSerializer(serializers.Serializer[Any]):
    """Why."""

    reason = serializers.CharField()


class SignedSerializer(ReasonSerializer):
    """Why, and the password anew: the act is signed."""

    password = serializers.CharField(write_only=True)


class DecideSerializer(SignedSerializer):
    """The password anew, and a reason where one is due."""

    reason = serializers.CharField(required=False, allow_blank=True, default="")


class NonconformanceRequestSerializer(serializers.Serializer[Any]):
    """What is wrong."""

    title = serializers.CharField(max_length=200)
    description = serializers.CharField(required=False, allow_blank=True, default="")


class RecordSerializer(serializers.Serializer[Any]):
    """What every record that quality decides on begins with."""

    code = serializers.CharField()
    state = serializers.CharField()
    held = serializers.BooleanField()
    version = serializers.IntegerField()


def mass_field(**kwargs: Any) -> serializers.DecimalField:
    """A mass, exact to the microgram."""
    return serializers.DecimalField(max_digits=18, decimal_places=9, **kwargs)


class NoContentSerializer(serializers.Serializer[Any]):
    """Nothing but the act itself."""


def answers(serializer: Any, status: int = 200) -> dict[Any, Any]:
    """An answer and the refusals that may come in its place."""
    problems = {(code, "application/problem+json"): ProblemSerializer for code in (401, 403, 404, 409, 412, 422)}
    return {status: serializer, **problems}


@dataclass(frozen=True, slots=True)
class RouteAct:
    """One act of a record: its name in the address, its right, its service, what is sent, and how that is read."""

    name: str
    right: str
    perform: Callable[..., Any]
    sent: type[serializers.Serializer[Any]] = NoContentSerializer
    values: Callable[[Any, dict[str, Any]], dict[str, Any]] | None = None
    says: str = ""


@dataclass(frozen=True, slots=True)
class RecordRoutes:
    """What the acts of one noun share: the prefix of the address, how a record is fetched, how it is answered."""

    kind: str
    prefix: str
    get: Callable[[Any, str], Any]
    answer: type[serializers.Serializer[Any]]
    acts: tuple[RouteAct, ...]

    def paths(self) -> list[URLPattern]:
        """The addresses of the acts; `api-lot-release` is the name of one."""
        return [
            path(f"{self.prefix}/<path:code>/{act.name}/", self._view(act), name=f"api-{self.kind}-{act.name}")
            for act in self.acts
        ]

    def _view(self, act: RouteAct) -> Any:
        fetch, answer = self.get, self.answer

        @extend_schema(
            operation_id=f"{self.kind}_{act.name}".replace("-", "_"),
            description=act.says or (act.perform.__doc__ or "").strip(),
            request=act.sent,
            responses=answers(answer),
            parameters=[KEY],
        )
        def post(self: View, request: Request, code: str) -> Response:
            content = valid(act.sent(data=request.data))
            record = fetch(request.user, code)
            given = act.values(request.user, content) if act.values else content
            once(self.key, act.perform)(record, actor=request.user, **given)
            return Response(answer(fetch(request.user, record.code), context={"request": request}).data)

        name = "".join(part.title() for part in (self.kind, *act.name.split("-")))
        made = type(name, (View,), {"rights": {"POST": act.right}, "post": post, "__doc__": act.perform.__doc__})
        return made.as_view()  # type: ignore[attr-defined]


def _lift(record: Any, *, actor: Any, reason: str, key: str | None = None) -> Any:
    """Lift the hold that has stood longest over the record. A second call finds it lifted."""
    hold = cases.oldest_standing_hold(record.record_kind, record.code)
    return case_services.lift_hold(hold, actor=actor, reason=reason)


CASE_ACTS = (
    RouteAct("hold", "hold.place", case_services.place_hold, ReasonSerializer),
    RouteAct("lift-hold", "hold.lift", _lift, ReasonSerializer),
    RouteAct(
        "open-nonconformance",
        "nonconformance.open",
        case_services.open_nonconformance,
        NonconformanceRequestSerializer,
    ),
)
