"""Who is acting, through which request, and why: carried beside the call, read by the history."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

request_id: ContextVar[str] = ContextVar("request_id", default="")
# The one-time code given beside a password: a field of a form or the header `One-Time-Code`.
one_time_code: ContextVar[str] = ContextVar("one_time_code", default="")


def current_request_id() -> str:
    """The id of the request (or task) being served; a fresh one outside any."""
    return request_id.get() or uuid.uuid4().hex


@contextmanager
def giving_code(code: str) -> Iterator[None]:
    """Within this block, `code` is the one-time code that the person gave with the request."""
    token = one_time_code.set(code.replace(" ", "").strip())
    try:
        yield
    finally:
        one_time_code.reset(token)
