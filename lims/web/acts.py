"""Acts on a record page: which are shown, with which form, and what happens when one is sent."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_POST

from lims.core.errors import Refusal
from lims.web.doors import key_of, page, person, put_errors, put_refusal, status_of


@dataclass(frozen=True, slots=True)
class RecordAct:
    """One act on a record's page: its address, its button, its right, its form, and the service that does it.

    `states`: the states it is shown in (None: any). `why_not(user, record)`: a sentence that greys it out, "" for none.
    `values(form)`: what goes to the service, the cleaned fields where not given.
    """

    name: str
    label: str
    right: str
    perform: Callable[..., Any]
    form: Callable[..., forms.Form] | None = None
    states: frozenset[str] | None = None
    main: bool = False
    hint: str = ""
    done: str = ""
    why_not: Callable[[Any, Any], str] | None = None
    values: Callable[[Any], dict[str, Any]] | None = None
    shown: Callable[[Any, Any], bool] | None = None


@dataclass(slots=True)
class Failed:
    """An act that was refused: its form as it was sent, and the refusal where it belongs to no form."""

    act: RecordAct
    form: forms.Form | None
    refusal: Refusal | None = None

    @property
    def status(self) -> int:
        """The status the page is shown with."""
        if self.refusal is not None:
            return self.refusal.status
        return status_of(self.form) if self.form is not None else 422


@dataclass(frozen=True, slots=True)
class RecordPage:
    """What the acts of one noun share: how a record is fetched and how its page is shown."""

    kind: str
    prefix: str
    get: Callable[[Any, str], Any]
    show: Callable[..., HttpResponse]
    acts: tuple[RecordAct, ...] = field(default_factory=tuple)

    def paths(self) -> list[URLPattern]:
        """The addresses of the acts: `lots/LOT-0042/release/` is named `lot-release`."""
        return [
            path(f"{self.prefix}/<path:code>/{act.name}/", self._view(act), name=f"{self.kind}-{act.name}")
            for act in self.acts
        ]

    def buttons(self, user: Any, record: Any, *, failed: Failed | None = None) -> list[dict[str, Any]]:
        """The acts this person may do in this state, for `parts/_actions.html`."""
        tried = failed.act if failed else None  # a refused act is shown with its refusal, whatever the state
        shown = [act for act in self.acts if act is tried or _is_shown(act, user, record)]
        return [self._button(act, user, record, failed) for act in shown]

    def _button(self, act: RecordAct, user: Any, record: Any, failed: Failed | None) -> dict[str, Any]:
        why = act.why_not(user, record) if act.why_not else ""
        tried = failed is not None and failed.act is act
        form = failed.form if tried and failed and failed.form is not None else act.form and act.form()
        if form:
            form.auto_id = f"{act.name}_%s"  # several forms stand on one page; no id may stand twice
        return {
            "label": act.label,
            "url": reverse(f"{self.kind}-{act.name}", args=[record.code]),
            "form": form or None,
            "post": act.form is None,
            "main": act.main and not why,
            "hint": act.hint,
            "why_not": "" if tried and act.form else why,
        }

    def _view(self, act: RecordAct) -> Callable[..., HttpResponse]:
        def perform(request: HttpRequest, code: str) -> HttpResponse:
            record = self.get(person(request), code)
            form = act.form(request.POST, request.FILES) if act.form else None
            failed = attempt(request, act, record, form)
            if failed is not None:
                return self.show(request, record.code, failed=failed)
            if act.done:
                messages.success(request, act.done.format(code=record.code))
            return redirect(reverse(self.kind, args=[record.code]))

        return require_POST(page(act.right)(perform))


def attempt(request: HttpRequest, act: RecordAct, record: Any, form: forms.Form | None) -> Failed | None:
    """Do `act`; what was refused comes back with its form filled."""
    if form is not None and not form.is_valid():
        return Failed(act, form)
    given = {} if form is None else act.values(form) if act.values else form.cleaned_data
    try:
        act.perform(record, actor=person(request), key=key_of(request), **given)
    except Refusal as refusal:
        if form is None:
            return Failed(act, None, refusal)
        put_refusal(form, refusal)
        return Failed(act, form)
    except ValidationError as error:
        if form is None:
            raise
        put_errors(form, error)
        return Failed(act, form)
    return None


def _is_shown(act: RecordAct, user: Any, record: Any) -> bool:
    in_state = act.states is None or record.state in act.states
    return in_state and user.may(act.right) and (act.shown is None or act.shown(user, record))


def states(*names: Any) -> frozenset[str]:
    """States as plain words, for `RecordAct.states`."""
    return frozenset(map(str, names))


def checks(missing: Iterable[str]) -> list[dict[str, Any]]:
    """Sentences of what is missing, for `parts/_checks.html`."""
    return [{"ok": False, "label": sentence} for sentence in missing]
