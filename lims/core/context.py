"""Who is acting, through which request, and why: carried beside the call, read by the history."""

from __future__ import annotations

import uuid
from contextvars import ContextVar

request_id: ContextVar[str] = ContextVar("request_id", default="")


def current_request_id() -> str:
    """The id of the request (or task) being served; a fresh one outside any."""
    return request_id.get() or uuid.uuid4().hex
