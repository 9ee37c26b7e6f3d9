"""Gather what one act changes, so that the act leaves exactly one entry in the history."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any


@dataclass(slots=True)
class Gathered:
    """The changes of the act in progress, in the order they were made."""

    changes: list[dict[str, Any]] = field(default_factory=list)


_gathered: ContextVar[Gathered | None] = ContextVar("gathered", default=None)


@contextmanager
def gathering() -> Iterator[Gathered]:
    """Open an act; an act inside an act adds its changes to the outer one."""
    outer = _gathered.get()
    if outer is not None:
        yield outer
        return
    token = _gathered.set(Gathered())
    try:
        yield _gathered.get() or Gathered()
    finally:
        _gathered.reset(token)


def inside_an_act() -> bool:
    """Whether an act is in progress."""
    return _gathered.get() is not None


def note_change(record: Any, changed: Mapping[str, tuple[Any, Any]]) -> None:
    """Note the fields of `record` that changed, as (old, new), for the act in progress."""
    act = _gathered.get()
    if act is None:
        return
    hidden = record.CONFIDENTIAL
    for name, (old, new) in changed.items():
        secret = name in hidden
        act.changes.append(
            {
                "kind": record.record_kind,
                "code": record.record_code,
                "field": name,
                "old": plain(old),
                "new": plain(new),
                **({"confidential": True} if secret else {}),
            }
        )


def plain(value: Any) -> Any:
    """A value as JSON can hold it, without losing digits."""
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, datetime | date):
        return value.isoformat()
    if value is None or isinstance(value, bool | int | float | str | list | dict):
        return value
    return str(value)
