"""An act: one named thing a person does, checked, all or nothing, written to the history once, safe to repeat."""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, cast

import pghistory
from django.apps import apps
from django.db import IntegrityError, models, transaction

from lims.accounts.models import User
from lims.accounts.roles import RIGHTS, Rule
from lims.accounts.secrets import WrongSecretGiven, note_wrong_secret
from lims.audit import services as audit
from lims.audit.models import Submission
from lims.audit.recording import gathering, inside_an_act, plain
from lims.core.context import current_request_id
from lims.core.errors import Invalid, NotAllowed, Refusal

P = ParamSpec("P")
R = TypeVar("R")
KEY_CLASH = "This key came before with other content. Send a new key for a new record."


def require(actor: User | None, act: str) -> Rule:
    """The actor's rule for `act`; refuses where there is none. `None` is the system itself."""
    if actor is None:
        return Rule.YES
    rule = actor.rule(act)
    if rule is Rule.NO:
        raise NotAllowed(
            f"{actor.printed_name} may not do this ({act}).",
            next_step="Ask quality for the role, or ask somebody who holds it.",
        )
    return rule


def require_own(actor: User | None, act: str, owner_id: int | None) -> None:
    """Refuse where the actor's right reaches only own records and this one is somebody else's."""
    if actor is not None and actor.rule(act) is Rule.OWN and owner_id != actor.pk:
        raise NotAllowed(f"{actor.printed_name} may do this only on own records.", code="not-own-record")


def require_not_own_work(actor: User | None, act: str, took_part: set[int | None]) -> None:
    """Refuse where the actor took part in the work that is to be judged."""
    if actor is not None and actor.rule(act) in (Rule.NOT_OWN_WORK, Rule.ONE_OF_TWO) and actor.pk in took_part:
        raise NotAllowed(
            f"{actor.printed_name} took part in this work and cannot judge it.",
            code="own-work",
            next_step="Ask somebody who took no part.",
        )


def act(name: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Make a service of `name` an act. The service takes `actor` and keyword arguments and returns its subject.

    `reason` is kept in the history; `key`, where given, makes the act safe to repeat.
    """
    if name not in RIGHTS:
        raise KeyError(f"act '{name}' stands in no row of lims.accounts.roles")

    def decorate(service: Callable[P, R]) -> Callable[P, R]:
        @functools.wraps(service)
        def perform(*args: P.args, **kwargs: P.kwargs) -> R:
            actor = cast("User | None", kwargs.get("actor"))
            key = cast("str | None", kwargs.pop("key", None))
            try:
                return _perform(name, service, actor, key, args, kwargs)
            except NotAllowed as refusal:
                _note_refusal(name, actor, args, refusal)
                raise

        return perform

    return decorate


def once(key: str | None, service: Callable[P, R]) -> Callable[P, R]:
    """`service`, an act, safe to repeat under `key`: the same key again gives the same record."""
    return cast("Callable[P, R]", functools.partial(cast(Any, service), key=key))


def _perform(name: str, service: Callable[..., R], actor: User | None, key: str | None, args: Any, kwargs: Any) -> R:
    digest = _digest(name, args, kwargs) if key else ""
    if key and actor and (done := _earlier(actor, key, digest)) is not None:
        return cast(R, done)
    try:
        with transaction.atomic():
            return _inside(name, service, actor, (key, digest), args, kwargs)
    except IntegrityError:
        # two of the same key at once: the other one won, and its record is the answer
        if key and actor and (done := _earlier(actor, key, digest)) is not None:
            return cast(R, done)
        raise


def _inside(
    name: str, service: Callable[..., R], actor: User | None, key: tuple[str | None, str], args: Any, kwargs: Any
) -> R:
    require(actor, name)
    nested = inside_an_act()
    with (
        gathering() as gathered,
        pghistory.context(user=actor.pk if actor else None, act=name, request=current_request_id()),
    ):
        subject = service(*args, **kwargs)
        if not nested:
            audit.record(
                actor=actor,
                act=name,
                subject=_name_of(subject),
                changes=gathered.changes,
                reason=str(kwargs.get("reason") or ""),
            )
        if key[0] and actor and isinstance(subject, models.Model):
            _remember(actor, key[0], name, key[1], subject)
    return subject


def _earlier(actor: User, key: str, digest: str) -> models.Model | None:
    found = Submission.objects.filter(actor=actor, key=key).first()
    if found is None:
        return None
    if found.digest != digest:
        raise Invalid(KEY_CLASH, code="key-reused")
    return cast(models.Model, apps.get_model(found.subject_model)._default_manager.get(pk=found.subject_pk))


def _remember(actor: User, key: str, name: str, digest: str, subject: models.Model) -> None:
    Submission.objects.create(
        actor=actor, key=key, act=name, digest=digest, subject_model=subject._meta.label, subject_pk=str(subject.pk)
    )


def _digest(name: str, args: Any, kwargs: Any) -> str:
    # a digest that rests on a password would let it be guessed
    told = {k: _content(v) for k, v in kwargs.items() if not k.endswith("password")}
    content = {"act": name, "args": [_content(a) for a in args], **told}
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def _content(value: Any) -> Any:
    if isinstance(value, models.Model):
        return f"{value._meta.label}:{value.pk}"
    if hasattr(value, "sha256"):
        return str(value.sha256)
    if isinstance(value, list | tuple):
        return [_content(item) for item in value]
    if isinstance(value, dict):
        return {str(k): _content(v) for k, v in value.items()}
    return plain(value)


def _name_of(subject: Any) -> tuple[str, str]:
    # a row that belongs to a larger record (a weighing to its batch) stands in that record's history
    return getattr(subject, "history_subject", None) or (subject.record_kind, subject.record_code)


def _note_refusal(name: str, actor: User | None, args: Any, refusal: Refusal) -> None:
    """Keep a refused act in the history; inside a larger transaction it goes the way of that transaction."""
    if inside_an_act():
        return
    if isinstance(refusal, WrongSecretGiven):
        note_wrong_secret(refusal.person)
    subject = next((_name_of(a) for a in args if hasattr(a, "record_kind")), ("", ""))
    audit.record(actor=actor, act=name, subject=subject, reason=refusal.message, refused=True)
