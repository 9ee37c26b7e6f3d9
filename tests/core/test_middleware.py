"""Request ids, the content policy, the limits of a session."""

import re
from datetime import timedelta

import pytest
from django.contrib.auth import SESSION_KEY
from django.contrib.auth.models import AnonymousUser
from django.contrib.sessions.backends.cache import SessionStore
from django.http import HttpResponse
from django.test import Client, RequestFactory
from django.utils import timezone

from lims.core import context
from lims.core.middleware import SEEN_AT, STARTED_AT, content_security_policy, request_id, session_limits


@pytest.fixture
def request_(rf: RequestFactory):
    return rf.get("/")


def test_each_request_gets_an_id_seen_inside_and_in_the_answer(rf):
    seen = []
    handler = request_id(lambda request: seen.append(context.current_request_id()) or HttpResponse())
    first, second = handler(rf.get("/")), handler(rf.get("/"))
    assert seen == [first["X-Request-ID"], second["X-Request-ID"]]
    assert seen[0] != seen[1]
    assert context.request_id.get() == ""


def test_an_id_of_the_proxy_is_kept(rf):
    handler = request_id(lambda request: HttpResponse())
    assert handler(rf.get("/", HTTP_X_REQUEST_ID="proxy-1234567"))["X-Request-ID"] == "proxy-1234567"


@pytest.mark.parametrize("offered", ["short", "a b c d e f g h", "x" * 65, "<script>alert(1)</script>", "a\nb: c12345"])
def test_an_odd_id_is_replaced(rf, offered):
    handler = request_id(lambda request: HttpResponse())
    assert re.fullmatch(r"[0-9a-f]{32}", handler(rf.get("/", HTTP_X_REQUEST_ID=offered))["X-Request-ID"])


def test_a_page_may_use_only_its_own_scripts(rf):
    nonces = []
    handler = content_security_policy(lambda request: nonces.append(request.csp_nonce) or HttpResponse())
    answer, other = handler(rf.get("/")), handler(rf.get("/"))
    policy = answer["Content-Security-Policy"]
    assert f"script-src 'self' 'nonce-{nonces[0]}'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert nonces[0] != nonces[1]
    assert answer["Content-Security-Policy"] != other["Content-Security-Policy"]


@pytest.fixture
def visit(rf, settings):
    """Pass a request of a signed-in person, started and last seen so long ago, through the limits."""
    settings.SESSION_IDLE, settings.SESSION_ABSOLUTE = timedelta(minutes=30), timedelta(hours=12)

    def go(*, started: timedelta, seen: timedelta):
        request = rf.get("/")
        now = timezone.now().timestamp()
        request.session = SessionStore()
        request.session.update(
            {SESSION_KEY: "1", STARTED_AT: now - started.total_seconds(), SEEN_AT: now - seen.total_seconds()}
        )
        request.user = "somebody"
        session_limits(lambda request: HttpResponse())(request)
        return request

    return go


def test_a_session_in_use_goes_on(visit):
    request = visit(started=timedelta(hours=11), seen=timedelta(minutes=29))
    assert request.user == "somebody"
    assert timezone.now().timestamp() - request.session[SEEN_AT] < 5


def test_a_session_left_idle_ends(visit):
    request = visit(started=timedelta(hours=1), seen=timedelta(minutes=31))
    assert isinstance(request.user, AnonymousUser)
    assert SESSION_KEY not in request.session


def test_an_old_session_ends_however_busy_it_is(visit):
    request = visit(started=timedelta(hours=12, minutes=1), seen=timedelta(seconds=1))
    assert isinstance(request.user, AnonymousUser)


def test_reading_pages_does_not_write_the_session_each_time(visit):
    request = visit(started=timedelta(hours=1), seen=timedelta(seconds=30))
    assert timezone.now().timestamp() - request.session[SEEN_AT] > 25


def test_a_probe_is_answered_whatever_the_host_name(client: Client):
    answer = client.get("/health/live", headers={"host": "10.1.2.3:8000"})
    assert (answer.status_code, answer.content) == (200, b"alive\n")


@pytest.mark.django_db
def test_ready_means_that_the_database_answers(client: Client):
    assert client.get("/health/ready").status_code == 200


def test_every_answer_carries_the_headers(client: Client):
    answer = client.get("/health/live")
    assert answer["X-Request-ID"]
    page = client.get("/static/packages/plotly.min.js")
    page.close()
    assert page["X-Content-Type-Options"] == "nosniff"
    assert page["Referrer-Policy"] == "same-origin"
