"""Checks between calibrations on a rig, and who is authorized for what."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts.acts import once
from lims.accounts.selectors import get_person_named
from lims.api.acts import KEY, ReasonSerializer, answers
from lims.api.base import View, valid
from lims.core.errors import Invalid
from lims.rigs import authorizations as authorizations_
from lims.rigs import checks as checks_
from lims.rigs import selectors, services


class CheckRequestSerializer(serializers.Serializer[Any]):
    """A check: deviations in SI (K, m, or a share) by the sensor's serial number, or under the kind itself."""

    kind = serializers.ChoiceField(choices=checks_.KINDS)
    values = serializers.DictField(child=serializers.FloatField())
    u = serializers.FloatField(min_value=0, help_text="standard, of each deviation, in SI")
    done_at = serializers.DateTimeField(required=False, help_text="Now, unless said.")
    remarks = serializers.CharField(required=False, allow_blank=True)


class CheckSerializer(serializers.Serializer[Any]):
    """A check that was done, in SI."""

    kind = serializers.CharField()
    values = serializers.DictField(child=serializers.FloatField())
    u = serializers.FloatField()
    limit = serializers.FloatField()
    passed = serializers.BooleanField()
    done_at = serializers.DateTimeField()
    done_by = serializers.CharField(source="done_by.username")
    remarks = serializers.CharField()


class CheckScheduleRequestSerializer(serializers.Serializer[Any]):
    """How often a check is done, and within which limit either way [SI]."""

    kind = serializers.ChoiceField(choices=checks_.KINDS)
    every_hours = serializers.FloatField(allow_null=True, help_text="none: no longer asked for")
    limit = serializers.FloatField()
    reason = serializers.CharField()
    valid_from = serializers.DateTimeField(required=False, help_text="Now, unless said.")


class CheckStatusSerializer(serializers.Serializer[Any]):
    """A check that is asked for, and what speaks against the rig."""

    kind = serializers.CharField(source="schedule.kind")
    limit = serializers.FloatField(source="schedule.limit")
    every_hours = serializers.SerializerMethodField()
    due_at = serializers.DateTimeField(allow_null=True)
    problem_code = serializers.CharField(source="code")
    problem = serializers.CharField()

    def get_every_hours(self, status: Any) -> float:
        return float(status.schedule.every / timedelta(hours=1))


class AuthorizationRequestSerializer(serializers.Serializer[Any]):
    """A person may work by a method (M-004), one version of it (M-004/2), or on a rig (RIG-02), until a day."""

    person = serializers.CharField(help_text="User name.")
    subject = serializers.CharField()
    evidence = serializers.CharField()
    valid_from = serializers.DateField(required=False, help_text="Today, unless said.")
    expires_on = serializers.DateField(help_text="The last day.")


class AuthorizationSerializer(serializers.Serializer[Any]):
    """One authorization."""

    id = serializers.IntegerField()
    person = serializers.CharField(source="person.username")
    subject = serializers.CharField()
    evidence = serializers.CharField()
    valid_from = serializers.DateField()
    expires_on = serializers.DateField()
    granted_by = serializers.CharField(source="granted_by.username")
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_reason = serializers.CharField()


def _user(request: Request) -> Any:
    return request.user


class RigChecks(View):
    """Checks done on a rig, newest first."""

    rights = {"GET": "laboratory.read", "POST": "rig.check"}

    @extend_schema(operation_id="rig_checks", responses=answers(CheckSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        return self.page(checks_.checks_of(selectors.get_rig_for(_user(request), code)), CheckSerializer)

    @extend_schema(
        operation_id="rig_check",
        request=CheckRequestSerializer,
        responses=answers(CheckSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        """Keep a check; one outside the limit opens a nonconformance and holds the rig."""
        content = valid(CheckRequestSerializer(data=request.data))
        rig = selectors.get_rig_for(_user(request), code)
        made = once(self.key, services.record_check)(rig, actor=_user(request), **content)
        return Response(CheckSerializer(made).data, status=201)


class CheckSchedules(View):
    """What is asked for on a rig now."""

    rights = {"GET": "laboratory.read", "POST": "rig.schedule_check"}

    @extend_schema(operation_id="rig_check_schedules", responses=answers(CheckStatusSerializer(many=True)))
    def get(self, request: Request, code: str) -> Response:
        states = checks_.check_states(selectors.get_rig_for(_user(request), code))
        return Response(CheckStatusSerializer(states, many=True).data)

    @extend_schema(
        operation_id="rig_schedule_check",
        request=CheckScheduleRequestSerializer,
        responses=answers(CheckStatusSerializer(many=True), 201),
        parameters=[KEY],
    )
    def post(self, request: Request, code: str) -> Response:
        content = valid(CheckScheduleRequestSerializer(data=request.data))
        rig, hours = selectors.get_rig_for(_user(request), code), content.pop("every_hours")
        every = None if hours is None else timedelta(hours=hours)
        once(self.key, services.schedule_check)(rig, actor=_user(request), every=every, **content)
        return Response(CheckStatusSerializer(checks_.check_states(rig), many=True).data, status=201)


class Authorizations(View):
    """Who is authorized for what."""

    rights = {"GET": "laboratory.read", "POST": "authorization.grant"}

    @extend_schema(operation_id="authorizations", responses=answers(AuthorizationSerializer(many=True)))
    def get(self, request: Request) -> Response:
        return self.page(authorizations_.authorizations_for(_user(request)), AuthorizationSerializer)

    @extend_schema(
        operation_id="authorization_grant",
        request=AuthorizationRequestSerializer,
        responses=answers(AuthorizationSerializer, 201),
        parameters=[KEY],
    )
    def post(self, request: Request) -> Response:
        content, user = valid(AuthorizationRequestSerializer(data=request.data)), _user(request)
        person = get_person_named(content.pop("person"))
        if person is None:
            raise Invalid("There is no such account in use.", fields={"person": ["A user name is expected."]})
        subject = selectors.get_subject_for(user, content.pop("subject"))
        made = once(self.key, services.grant_authorization)(actor=user, person=person, subject=subject, **content)
        return Response(AuthorizationSerializer(made).data, status=201)


class AuthorizationWithdrawal(View):
    """Withdraw an authorization."""

    rights = {"POST": "authorization.withdraw"}

    @extend_schema(request=ReasonSerializer, responses=answers(AuthorizationSerializer), parameters=[KEY])
    def post(self, request: Request, pk: int) -> Response:
        content = valid(ReasonSerializer(data=request.data))
        found = authorizations_.get_authorization_for(_user(request), pk)
        done = once(self.key, services.withdraw_authorization)(found, actor=_user(request), **content)
        return Response(AuthorizationSerializer(done).data)


urlpatterns = [
    path("rigs/<str:code>/checks/", RigChecks.as_view(), name="api-rig-checks"),
    path("rigs/<str:code>/check-schedules/", CheckSchedules.as_view(), name="api-rig-check-schedules"),
    path("authorizations/", Authorizations.as_view(), name="api-authorizations"),
    path("authorizations/<int:pk>/withdraw/", AuthorizationWithdrawal.as_view(), name="api-authorization-withdraw"),
]
