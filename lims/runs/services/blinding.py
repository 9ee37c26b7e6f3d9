"""Lock the results of a sample, and only then reveal what a blind one is."""

from __future__ import annotations

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, locked
from lims.runs.models import Run
from lims.runs.selectors.applications import runs_of_sample
from lims.runs.states import RUN_MACHINE, ReductionState, RunState
from lims.samples.models import Sample
from lims.samples.services.blind import lift_blind

UNDECIDED = (RunState.RECEIVING, RunState.CHECKING)


@act("run.lock")
def lock_results(sample: Sample, *, actor: User) -> Sample:
    """Lock every accepted run of a sample: its figures stand as they are and are not reduced again."""
    fresh = locked(sample)
    runs = list(runs_of_sample(fresh))
    _refuse_at_work(fresh, runs)
    accepted = [run for run in runs if run.state == RunState.ACCEPTED]
    if not accepted:
        raise Conflict(f"{fresh.code} has no accepted run to lock.", code="nothing-to-lock")
    for run in accepted:
        held: Run = advance(run, RUN_MACHINE, "lock")
        held.save()
    return fresh


@act("sample.unblind")
def reveal_sample(sample: Sample, *, actor: User, reason: str) -> Sample:
    """Reveal what a blind sample is: only once its results are locked, so that knowing it can change none of them."""
    fresh = locked(sample)
    if not fresh.is_blind:
        raise Conflict(f"{fresh.code} is not blind.", code="not-blind")
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A reason is expected."]})
    runs = list(runs_of_sample(fresh))
    _refuse_at_work(fresh, runs)
    open_ones = [run.code for run in runs if run.state == RunState.ACCEPTED]
    if open_ones or not any(run.state == RunState.LOCKED for run in runs):
        why = f"{', '.join(open_ones[:5])} can still change" if open_ones else "no result is locked yet"
        raise Conflict(
            f"{fresh.code} stays blind: {why}.", code="results-not-locked", next_step="Lock the results first."
        )
    return lift_blind(fresh, actor=actor, reason=reason.strip())


def _refuse_at_work(sample: Sample, runs: list[Run]) -> None:
    for run in runs:
        at_work = run.reductions.filter(state__in=(ReductionState.QUEUED, ReductionState.REDUCING)).exists()
        if run.state in UNDECIDED or at_work:
            raise Conflict(
                f"{run.code} of {sample.code} is still being reduced.",
                code="run-at-work",
                next_step="Wait until its figures stand.",
            )
