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
    request: HttpRequest,
    form: type[forms.Form],
    *,
    prefix: str,
    initial: Sequence[dict[str, Any]] = (),
    added: Sequence[dict[str, Any]] = (),
) -> Any:
    """The rows of `form`: as sent, or as typed so far with blank ones added, or as they stand.

    `added` are rows that come after those that were typed. The button `add` may also say to move a row: `lines:up:2`.
    """
    if request.method == "POST" and not is_adding(request):
        data = request.POST.copy()
        # every row may be left blank, also one that was filled before
        data[f"{prefix}-INITIAL_FORMS"] = "0"
        return forms.formset_factory(form, max_num=MOST)(data, prefix=prefix)
    extra = MORE
    if is_adding(request):
        initial = _moved(_as_typed(request, form, prefix), request.POST["add"], prefix)
        if added:
            initial = [row for row in initial if not _is_blank(row, form)] + list(added)
        extra = MORE if request.POST["add"] == prefix else 0
    return forms.formset_factory(form, extra=extra, max_num=MOST)(initial=list(initial), prefix=prefix)


def _as_typed(request: HttpRequest, form: type[forms.Form], prefix: str) -> list[dict[str, Any]]:
    total = min(int(request.POST.get(f"{prefix}-TOTAL_FORMS") or 0), MOST)
    names = list(form.base_fields)
    return [{name: request.POST.get(f"{prefix}-{i}-{name}", "") for name in names} for i in range(total)]


def _moved(rows: list[dict[str, Any]], button: str, prefix: str) -> list[dict[str, Any]]:
    """The rows with one moved, where the button says so."""
    name, _, rest = button.partition(":")
    way, _, number = rest.partition(":")
    if name == prefix and way in ("up", "down") and number.isdecimal():
        place = int(number)
        to = place + (1 if way == "down" else -1)
        if 0 <= to < len(rows) and place < len(rows):
            rows[place], rows[to] = rows[to], rows[place]
    return rows


def _is_blank(row: dict[str, Any], form: type[forms.Form]) -> bool:
    return all(row[name] in ("", str(field.initial or "")) for name, field in form.base_fields.items())


def filled(rows: Any) -> list[dict[str, Any]]:
    """The cleaned rows that hold something."""
    return [row.cleaned_data for row in rows if row.has_changed() and row.cleaned_data]


def head_form(request: HttpRequest, form: type[forms.Form], *, initial: dict[str, Any] | None = None) -> Any:
    """The fields above the rows: bound when sent, filled but not judged while rows are added."""
    if is_adding(request):
        return form(initial=request.POST.dict())
    return form(request.POST or None, initial=initial)
