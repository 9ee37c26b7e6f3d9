"""Add what a second logger recorded to a run: kept by its digest, joined by time when the run is reduced."""

from __future__ import annotations

import math
from typing import Any

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.files.services import store_file
from lims.runs.intake import take_in
from lims.runs.models import Run
from lims.runs.selectors.runs import REDUCIBLE, run_with_file
from lims.runs.services.runs import queue_reduction
from lims.runs.states import RUN_MACHINE, RunState


@act("run.add_second")
def add_second_file(run: Run, *, actor: User, content: Any, name: str, reason: str, offset: float | None = None) -> Run:
    """Keep a second file of a run and reduce it anew with both; another second file takes the place of the first.

    A run that was refused for a column its file lacks is read again with the second file.

    `offset` [s]: how much later it began than the run; None where both files tell when they began. The run's earlier
    reductions stay as they are.
    """
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Write the reason; it stays with the figures."]})
    if offset is not None and not math.isfinite(offset):
        raise Invalid("The clock difference is no number.", fields={"offset": ["Write seconds, or leave it empty."]})
    fresh = locked(run)
    if fresh.state not in (*REDUCIBLE, RunState.REFUSED) or fresh.file is None:
        raise Conflict(f"{fresh.code} is {fresh.state}; nothing can be added to it.", code="wrong-state")
    incoming = take_in(content, name=name)
    own = fresh.file.sha256 == incoming.sha256
    if (standing := fresh if own else run_with_file(incoming.sha256)) is not None:
        raise Conflict(
            f"{incoming.name} holds the same bytes as {standing.code}.",
            code="run-exists",
            next_step="Choose the file of the second logger.",
            record=standing.code,
        )
    fresh.second = store_file(incoming.content, name=incoming.name, media_type=incoming.media_type, by=actor)
    fresh.second_offset = offset
    if fresh.state == RunState.REFUSED:
        _refuse_sent_again(fresh)
        fresh.state = RUN_MACHINE.after(fresh.state, "complete", name=fresh.code)
    fresh.save()
    queue_reduction(fresh, actor=actor, reason=reason)
    return fresh


def _refuse_sent_again(run: Run) -> None:
    """A refused file may have come again as another run; the same recording cannot count twice."""
    standing = run_with_file(run.file.sha256) if run.file else None
    if standing is not None:
        raise Conflict(
            f"The file of {run.code} came again as {standing.code}.",
            code="run-exists",
            next_step=f"Add the second file to {standing.code}.",
            record=standing.code,
        )
