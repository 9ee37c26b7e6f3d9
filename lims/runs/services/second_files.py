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


@act("run.add_second")
def add_second_file(run: Run, *, actor: User, content: Any, name: str, reason: str, offset: float | None = None) -> Run:
    """Keep a second file of a run and reduce it anew with both; another second file takes the place of the first.

    `offset` [s]: how much later it began than the run; None where both files tell when they began. The run's earlier
    reductions stay as they are.
    """
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Write the reason; it stays with the figures."]})
    if offset is not None and not math.isfinite(offset):
        raise Invalid("The clock difference is no number.", fields={"offset": ["Write seconds, or leave it empty."]})
    fresh = locked(run)
    if fresh.state not in REDUCIBLE or fresh.file is None:
        raise Conflict(f"{fresh.code} is {fresh.state}; nothing can be added to it.", code="wrong-state")
    incoming = take_in(content, name=name)
    if (standing := run_with_file(incoming.sha256)) is not None:
        raise Conflict(
            f"{incoming.name} holds the same bytes as {standing.code}.",
            code="run-exists",
            next_step="Choose the file of the second logger.",
            record=standing.code,
        )
    fresh.second = store_file(incoming.content, name=incoming.name, media_type=incoming.media_type, by=actor)
    fresh.second_offset = offset
    fresh.save()
    queue_reduction(fresh, actor=actor, reason=reason)
    return fresh
