"""Rows of a form on one page: as many as are needed, added without losing what was typed, also without JavaScript."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.http import HttpRequest

MORE = 3
MOST = 200


def is_adding(request: HttpRequest) -> bool:
    """Whether the person asked for more rows, not to send."""
    return request.method == "POST" and bool(request.POST.get("add"))


def row_set(
    request: HttpRequest, form: type[forms.Form], *, prefix: str, initial: Sequence[dict[str, Any]] = ()
) -> Any:
    """The rows of `form`: as sent, or as typed so far with blank ones added, or as they stand."""
    if request.method == "POST" and not is_adding(request):
        data = request.POST.copy()
        # every row may be left blank, also one that was filled before
        data[f"{prefix}-INITIAL_FORMS"] = "0"
        return forms.formset_factory(form, max_num=MOST)(data, prefix=prefix)
    extra = MORE
    if is_adding(request):
        initial = _as_typed(request, form, prefix)
        extra = MORE if request.POST["add"] == prefix else 0
    return forms.formset_factory(form, extra=extra, max_num=MOST)(initial=list(initial), prefix=prefix)


def _as_typed(request: HttpRequest, form: type[forms.Form], prefix: str) -> list[dict[str, Any]]:
    total = min(int(request.POST.get(f"{prefix}-TOTAL_FORMS") or 0), MOST)
    names = list(form.base_fields)
    return [{name: request.POST.get(f"{prefix}-{i}-{name}", "") for name in names} for i in range(total)]


def filled(rows: Any) -> list[dict[str, Any]]:
    """The cleaned rows that hold something."""
    return [row.cleaned_data for row in rows if row.has_changed() and row.cleaned_data]


def head_form(request: HttpRequest, form: type[forms.Form], *, initial: dict[str, Any] | None = None) -> Any:
    """The fields above the rows: bound when sent, filled but not judged while rows are added."""
    if is_adding(request):
        return form(initial=request.POST.dict())
    return form(request.POST or None, initial=initial)
