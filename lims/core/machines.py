"""State machines: which act leads from which states to which; every other pair is refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

from django.db import models

from lims.core.errors import WrongState

M = TypeVar("M", bound=models.Model)


@dataclass(frozen=True, slots=True)
class Move:
    """One row of a state machine: the act, the states it may start from, and the state it leads to."""

    act: str
    before: frozenset[str]
    after: str


class Machine:
    """A table of moves; the one place that says what may follow what."""

    def __init__(self, *moves: tuple[str, tuple[str, ...], str]) -> None:
        self.moves = {act: Move(act, frozenset(map(str, before)), str(after)) for act, before, after in moves}

    def allowed(self, state: str) -> list[str]:
        """The acts that may start from `state`."""
        return [move.act for move in self.moves.values() if state in move.before]

    def after(self, state: str, act: str, *, name: str = "the record") -> str:
        """The state that `act` leads to from `state`; refuses a move that stands in no row."""
        move = self.moves[act]
        if state not in move.before:
            allowed = self.allowed(state)
            raise WrongState(
                f"{name} is {state.replace('_', ' ')}; '{act.replace('_', ' ')}' is not possible from there.",
                next_step=f"Possible now: {', '.join(a.replace('_', ' ') for a in allowed) or 'nothing more'}.",
                state=state,
                allowed=allowed,
            )
        return move.after


def locked(record: M) -> M:
    """The same record as it stands now, locked until the transaction ends."""
    return type(record)._default_manager.select_for_update().get(pk=record.pk)


def advance(record: Any, machine: Machine, act: str) -> Any:
    """Move `record` by `act`: read it anew under a lock, check, set. Returns the record; the caller saves it."""
    fresh = locked(record)
    fresh.state = machine.after(fresh.state, act, name=fresh.record_code)
    return fresh


def state_words(record: Any) -> str:
    """A record's state as it stands in a sentence."""
    return str(record.get_state_display()).lower()
