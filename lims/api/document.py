"""The document that describes the interface: what every operation can answer beside what it promises."""

from __future__ import annotations

from typing import Any

PROBLEM = {
    "type": "object",
    "description": "A problem (RFC 9457). `code` is stable, for machines; `detail` and `next_step` are for people.",
    "properties": {
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "code": {"type": "string"},
        "detail": {"type": "string"},
        "next_step": {"type": "string"},
        "request_id": {"type": "string"},
        "fields": {
            "type": "object",
            "description": "What is wrong with each field.",
            "additionalProperties": {"type": "array", "items": {"type": "string"}},
        },
    },
    "required": ["title", "status", "code", "detail"],
}
READING = {"401": "Not signed in.", "403": "Not allowed.", "404": "No such record."}
WRITING = {
    "400": "The request cannot be read.",
    "409": "It collides with what stands, or the record is not in the right state.",
    "412": "Somebody changed the record since it was read.",
    "413": "Too large.",
    "415": "This kind of content is not taken here.",
    "422": "Something in it is not right; `fields` says what.",
}
ALWAYS = {"406": "This kind of answer is not given here.", "503": "A part of the system is down."}


def add_problems(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Add the problem answers to every operation of the document; called by drf-spectacular."""
    result.setdefault("components", {}).setdefault("schemas", {})["Problem"] = PROBLEM
    for path in result["paths"].values():
        for method, operation in path.items():
            _add(operation, reads=method == "get")
    return result


def _add(operation: dict[str, Any], *, reads: bool) -> None:
    answers = operation.setdefault("responses", {})
    # a list that is narrowed can be asked in a way that cannot be read
    possible = READING | ALWAYS | ({"422": WRITING["422"], "409": WRITING["409"]} if reads else WRITING)
    content = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for status, words in possible.items():
        answers.setdefault(status, {"description": words, "content": content})
