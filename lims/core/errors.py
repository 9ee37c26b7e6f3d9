"""Refusals: what the system will not do, each with a stable code, a sentence, and what to do next.

A service raises a refusal; each door (page, API, task) shows it in its own way. One refusal, one code, one HTTP answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from lims.core.context import current_request_id


class Refusal(Exception):
    """The base of every refusal: `code` for machines, `message` for people, `next_step` for going on."""

    status: ClassVar[int] = 409
    code: str = "refused"
    title: ClassVar[str] = "Refused"

    def __init__(
        self,
        message: str,
        *,
        code: str | None = None,
        next_step: str = "",
        fields: Mapping[str, list[str]] | None = None,
        **extra: Any,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.code = code or self.code
        self.next_step = next_step
        self.fields = dict(fields or {})
        self.extra = extra


class Invalid(Refusal):
    """What was sent cannot be taken as it is; `fields` names each field and what is wrong with it."""

    status = 422
    code = "invalid"
    title = "Not valid"


class NotAllowed(Refusal):
    """The person may not do this."""

    status = 403
    code = "not-allowed"
    title = "Not allowed"


class NotFound(Refusal):
    """There is no such record, or the person may not know of it."""

    status = 404
    code = "not-found"
    title = "Not found"


class WrongState(Refusal):
    """The record is not in a state in which this act is allowed; `extra["allowed"]` lists the acts that are."""

    status = 409
    code = "wrong-state"
    title = "Not in this state"


class Conflict(Refusal):
    """The act collides with something that stands already."""

    status = 409
    code = "conflict"
    title = "Conflict"


class Stale(Refusal):
    """The record was changed by somebody since it was read; `extra["changed"]` names what changed."""

    status = 412
    code = "stale"
    title = "Changed meanwhile"


class TooLarge(Refusal):
    """A file is larger than the laboratory takes."""

    status = 413
    code = "too-large"
    title = "Too large"


class Unavailable(Refusal):
    """A part of the system is down; work that does not need it goes on."""

    status = 503
    code = "unavailable"
    title = "Not available now"


def problem_content(refusal: Refusal) -> dict[str, Any]:
    """A refusal as problem details (RFC 9457), for the programming interface and for a page's own scripts."""
    return {
        "title": refusal.title,
        "status": refusal.status,
        "code": refusal.code,
        "detail": refusal.message,
        "request_id": current_request_id(),
        **({"next_step": refusal.next_step} if refusal.next_step else {}),
        **({"fields": refusal.fields} if refusal.fields else {}),
        **refusal.extra,
    }
