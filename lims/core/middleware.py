"""What every request passes through: an id, the content policy, the limits of a session."""

import re
import secrets
import uuid
from collections.abc import Callable

import structlog
from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.contrib.auth.models import AnonymousUser
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from lims.core import context

Handler = Callable[[HttpRequest], HttpResponse]

# An id handed in by a proxy is kept, so that both logs can be read side by side; anything odd is replaced.
ACCEPTED_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{8,64}")

STARTED_AT = "started_at"
SEEN_AT = "seen_at"
# The time of the last request is written at most this often [s], so that reading pages does not write all the time.
SEEN_STEP = 60


def request_id(get_response: Handler) -> Handler:
    """Give each request an id: in the logs, in the history, and in the answer's `X-Request-ID`."""

    def handle(request: HttpRequest) -> HttpResponse:
        offered = request.headers.get("X-Request-ID", "")
        identifier = offered if ACCEPTED_REQUEST_ID.fullmatch(offered) else uuid.uuid4().hex
        token = context.request_id.set(identifier)
        with structlog.contextvars.bound_contextvars(request_id=identifier):
            try:
                response = get_response(request)
            finally:
                context.request_id.reset(token)
        response["X-Request-ID"] = identifier
        return response

    return handle


def content_security_policy(get_response: Handler) -> Handler:
    """Let a page use only what this site serves; inline scripts and styles need `request.csp_nonce`."""

    def handle(request: HttpRequest) -> HttpResponse:
        nonce = secrets.token_urlsafe(16)
        request.csp_nonce = nonce  # type: ignore[attr-defined]
        response = get_response(request)
        response.headers.setdefault("Content-Security-Policy", policy(nonce))
        response.headers.setdefault("Permissions-Policy", "geolocation=(), microphone=(), payment=(), usb=()")
        return response

    return handle


def policy(nonce: str) -> str:
    """Return the content security policy of a page. Cameras stay allowed: labels are scanned with them."""
    return "; ".join(
        (
            "default-src 'self'",
            f"script-src 'self' 'nonce-{nonce}'",
            f"style-src 'self' 'nonce-{nonce}'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def session_limits(get_response: Handler) -> Handler:
    """End a session left idle too long, or older than a working day whatever was done in it."""

    def handle(request: HttpRequest) -> HttpResponse:
        if SESSION_KEY in request.session:
            _keep_or_end(request)
        return get_response(request)

    return handle


def _keep_or_end(request: HttpRequest) -> None:
    now = timezone.now().timestamp()
    session = request.session
    started, seen = session.get(STARTED_AT), session.get(SEEN_AT)
    if started is None or seen is None:
        session[STARTED_AT] = session[SEEN_AT] = now
    elif (
        now - seen > settings.SESSION_IDLE.total_seconds() or now - started > settings.SESSION_ABSOLUTE.total_seconds()
    ):
        session.flush()
        request.user = AnonymousUser()
    elif now - seen > SEEN_STEP:
        session[SEEN_AT] = now
