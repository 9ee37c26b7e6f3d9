"""Figures of a rig: proposed from runs made for it, accepted by another person from a day on, never edited."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.files.models import StoredFile
from lims.rigs.models import Rig, RigConfiguration
from lims.rigs.services import renew_configuration
from lims.runs import bridge
from lims.runs.models import RigFigure, Run
from lims.signatures.models import Meaning
from lims.signatures.services import sign

# which figures enter a configuration, and as what; the others are kept beside it
APPLIED = {"loss": "loss_conductance", "expansion": "gap_expansion"}


@act("rig.propose_figure")
def propose_rig_figure(rig: Rig, *, actor: User, kind: str, runs: Sequence[Run], reason: str) -> RigFigure:
    """Find a figure of a rig in runs of that rig and propose it; it changes nothing until somebody accepts it."""
    if not reason.strip():
        raise Invalid("Say what the runs were made for.", fields={"reason": ["This is needed."]})
    _check_runs(rig, kind, runs)
    found = _found(kind, runs)
    figure = RigFigure(
        code=next_code("rig figure"),
        rig=rig,
        kind=kind,
        quantity=found.quantity,
        value=found.measured.value,
        u=found.measured.u,
        dof=found.measured.dof if math.isfinite(found.measured.dof) else None,
        result=found.result,
        reason=reason.strip(),
        proposed_by=actor,
    )
    figure.save()
    figure.runs.set(runs)
    return figure


def _check_runs(rig: Rig, kind: str, runs: Sequence[Run]) -> None:
    if kind not in RigFigure.Kind.values:
        raise Invalid(
            f"There is no figure '{kind}'.", fields={"kind": [f"One of: {', '.join(RigFigure.Kind.values)}."]}
        )
    problems = [f"{run.code} is of {run.rig.code}." for run in runs if run.rig_id != rig.pk]
    problems += [f"{run.code} has not been read yet." for run in runs if run.current is None or not run.current.inputs]
    wanted = Run.Kind.REFERENCE if kind == RigFigure.Kind.FLOOR else Run.Kind.RIG
    words = dict(Run.Kind.choices)
    problems += [
        f"{run.code} is a {words[run.kind]}; a {words[wanted]} is expected here." for run in runs if run.kind != wanted
    ]
    if not runs:
        problems.append("Choose the runs.")
    if problems:
        raise Invalid(problems[0], code="wrong-runs", fields={"runs": problems})


def _found(kind: str, runs: Sequence[Run]) -> bridge.Finding:
    try:
        if kind == RigFigure.Kind.FLOOR:
            return bridge.rig_floor([_current(run).result for run in runs], names=[run.code for run in runs])
        with bridge.workspace() as folder:
            return bridge.rig_figure(kind, [_read(run, folder) for run in runs])
    except bridge.Failed as failed:
        raise Invalid(f"{failed}", code="not-defensible", fields={"runs": [f"{failed}"]}) from failed


def _read(run: Run, folder: Any) -> tuple[Any, Any]:
    reduction = _current(run)
    file = StoredFile.objects.get(sha256=reduction.inputs["run"])
    return bridge.read_both(file, bridge.second_of(reduction), reduction.setup, folder), reduction.setup


def _current(run: Run) -> Any:
    if run.current is None:
        raise Conflict(f"{run.code} has not been read yet.", code="not-read-yet")
    return run.current


@dataclass(frozen=True, slots=True)
class Accepting:
    """From when a figure holds, and why it is accepted."""

    reason: str
    valid_from: datetime | None = None


@act("rig.accept_figure")
def accept_rig_figure(figure: RigFigure, *, actor: User, password: str, accepting: Accepting) -> RigFigure:
    """Accept a figure by signature, from a time on; not by who made the runs or proposed it.

    Heat loss and expansion enter a new configuration of the rig; reductions made before stay as they are.
    """
    fresh = _open(figure, actor, accepting.reason)
    start = accepting.valid_from or timezone.now()
    fresh.configuration = _renewed(fresh, actor, start)
    content = {"code": fresh.code, "kind": fresh.kind, "value": fresh.value, "u": fresh.u, "from": start.isoformat()}
    sign(
        actor=actor,
        password=password,
        meaning=Meaning.APPROVED,
        subject=("rig figure", fresh.code),
        content=content | {"rig": fresh.rig.code, "reason": accepting.reason.strip()},
    )
    return _decided(fresh, actor, RigFigure.State.ACCEPTED, accepting.reason, start)


@act("rig.accept_figure")
def turn_down_rig_figure(figure: RigFigure, *, actor: User, reason: str) -> RigFigure:
    """Turn a proposed figure down, with the reason; it stays on record."""
    return _decided(_open(figure, actor, reason), actor, RigFigure.State.TURNED_DOWN, reason, None)


def _open(figure: RigFigure, actor: User, reason: str) -> RigFigure:
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["This is needed."]})
    fresh = locked(figure)
    if fresh.state != RigFigure.State.PROPOSED:
        raise Conflict(f"{fresh.code} is {fresh.get_state_display()} already.", code="figure-decided")
    made = set(fresh.runs.values_list("uploaded_by_id", flat=True))
    require_not_own_work(actor, "rig.accept_figure", {fresh.proposed_by_id, *made})
    return fresh


def _renewed(figure: RigFigure, actor: User, start: datetime) -> RigConfiguration | None:
    name = APPLIED.get(figure.kind)
    if name is None:
        return None
    facts: dict[str, Any] = {name: figure.value, f"{name}_u": figure.u}
    reason = f"{figure.code}: {figure.get_kind_display()}"
    return renew_configuration(figure.rig, actor=actor, reason=reason, valid_from=start, facts=facts)


def _decided(figure: RigFigure, actor: User, state: RigFigure.State, reason: str, start: datetime | None) -> RigFigure:
    figure.state, figure.decision, figure.valid_from = state, reason.strip(), start
    figure.decided_by, figure.decided_at = actor, timezone.now()
    figure.save()
    return figure
