"""The link from a record's page to its trace."""

from __future__ import annotations

from typing import Any

from django import template
from django.urls import reverse

from lims.comparisons.tracing import BY_NAME

register = template.Library()


@register.simple_tag(takes_context=True)
def trace_address(context: Any) -> str:
    """The address of the trace of the record whose page this is; "" where it is not traced."""
    match = getattr(context.get("request"), "resolver_match", None)
    if match is None or "code" not in match.kwargs:
        return ""
    kind = (match.url_name or "").split("-")[0]
    return reverse("trace", args=[kind, match.kwargs["code"]]) if kind in BY_NAME else ""
