"""The served document describes the running interface: no answer it does not name, no failure of the server."""

from __future__ import annotations

from typing import Any

import pytest
import schemathesis
import schemathesis.errors
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import content_type_conformance, status_code_conformance

from lims.accounts.models import Grant
from lims.accounts.roles import Role
from lims.accounts.services import create_token
from tests.factories import person

CHECKS = (not_a_server_error, status_code_conformance, content_type_conformance)


@pytest.fixture
def one_connection(db):
    """Keep the test's connection open from request to request, as Django's own test client does."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.fixture
def described(one_connection):
    """The document as served, and a token of somebody who holds every role of laboratory work."""
    user = person(Role.CHEMIST)
    for role in (Role.OPERATOR, Role.RIG_KEEPER, Role.QUALITY, Role.MANAGER, Role.ADMINISTRATOR):
        Grant(user=user, role=role, reason="test").save()
    user.__dict__.pop("roles", None)
    issued = create_token(actor=user)
    headers = {"Authorization": f"Token {issued.text}", "Accept": "application/json"}
    schema = schemathesis.openapi.from_wsgi("/api/openapi.json", get_wsgi_application(), headers=headers)
    schema.token = issued.text
    return schema


def _tried(operation: Any, token: str) -> list[str]:
    """What was found wrong with one operation over some generated requests."""
    wrong: list[str] = []

    @settings(max_examples=5, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy())
    def trial(case: Any) -> None:
        answer = case.call(headers={"Authorization": f"Token {token}"})
        try:
            case.validate_response(answer, checks=CHECKS)
        except schemathesis.errors.FailureGroup as failures:
            wrong.extend(f"{operation.label}: {answer.status_code} {failure}" for failure in failures.exceptions)

    trial()
    return wrong


def test_no_generated_request_gets_an_answer_the_document_does_not_name(described) -> None:
    operations = [found.ok() for found in described.get_all_operations()]
    assert len(operations) > 50
    wrong = [line for operation in operations for line in _tried(operation, described.token)]
    assert not wrong, "\n".join(dict.fromkeys(wrong))
