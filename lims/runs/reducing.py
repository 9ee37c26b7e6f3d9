"""Compute one reduction: claim it, compute with no transaction open, finish it only while the claim still holds.

The row is the truth about the job. A claim is one compare-and-set UPDATE that raises `attempt` and sets a lease; every
later write names its attempt, so that a worker thought dead cannot write over the one that took its place.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import structlog
from django.conf import settings
from django.db import InterfaceError, OperationalError, connection, transaction
from django.db.models import F, Q
from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Conflict, Refusal
from lims.core.machines import advance, locked
from lims.rigs.checks import check_states
from lims.rigs.readiness import channel_states
from lims.runs import bridge
from lims.runs.bridge import Failed, Outcome
from lims.runs.models import Reduction, Run
from lims.runs.selectors.runs import REDUCIBLE, overlapping, reduction_at_work, runs_touched_by, zeros_around
from lims.runs.states import APPLICATION_MACHINE, RUN_MACHINE, ApplicationState, ReductionState, RunState
from lims.runs.traces import key_of
from lims.samples.selectors import excursions_of

log = structlog.get_logger(__name__)

MOST_ATTEMPTS = 3
AROUND = (
    "run__rig", "run__file", "run__zero__file", "run__zero_after__file",
    "run__application__sample", "run__application__method_version",
)  # fmt: skip
ZERO_CAME = "another zero came"
DOUBTS = ("zero_missing", "zero_stale", "zero_drift")
Problem = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Claim:
    """A reduction held by this worker, under this attempt."""

    pk: int
    attempt: int


@dataclass(frozen=True, slots=True)
class Zeros:
    """The zeros a run is counted from."""

    before: Run | None
    after: Run | None


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a reduction was made from: the setup, the zeros, the digests of the files, the run's own clock."""

    snapshot: bridge.Snapshot
    zeros: Zeros
    digests: dict[str, str]
    started_at: datetime | None
    rows: int
    seconds: float


class ClaimLost(Exception):
    """Another worker took the reduction over meanwhile; what was computed is dropped."""


def perform_reduction(pk: int) -> list[int]:
    """Compute reduction `pk` unless somebody else has it. Returns the keys of reductions that follow from it."""
    claim = claim_reduction(pk)
    if claim is None:
        return []
    try:
        with kept_alive(claim):
            inputs, outcome = _compute(pk)
        return _finished(claim, inputs, outcome)
    except ClaimLost:
        log.info("reduction was taken over by another worker", reduction=pk, attempt=claim.attempt)
    except Failed as failure:
        _failed(claim, failure.error, refuses=failure.refuses_file)
    except Refusal as refusal:
        _failed(claim, {"code": refusal.code, "message": refusal.message}, refuses=False)
    except (OperationalError, InterfaceError) as error:
        # the database went away: the lease runs out, and the sweep sends the reduction again
        log.warning("the database was lost during a reduction", reduction=pk, error=str(error))
        connection.close()
    except Exception as error:
        log.exception("reduction failed", reduction=pk)
        _failed(claim, {"code": "internal-error", "message": f"{type(error).__name__}: {error}"}, refuses=False)
    return []


# Claim ----------------------------------------------------------------------------------------------------------------


def claim_reduction(pk: int) -> Claim | None:
    """Take a reduction that waits, or whose worker's lease ran out; None where there is nothing to take."""
    now = timezone.now()
    free = Q(state=ReductionState.QUEUED) | Q(state=ReductionState.REDUCING, lease_until__lt=now)
    with transaction.atomic():
        taken = Reduction.objects.filter(free, pk=pk, attempt__lt=MOST_ATTEMPTS).update(
            state=ReductionState.REDUCING,
            attempt=F("attempt") + 1,
            started_at=now,
            lease_until=now + _lease(),
        )
        if taken:
            return Claim(pk, Reduction.objects.values_list("attempt", flat=True).get(pk=pk))
    _give_up(pk)
    return None


def _lease() -> timedelta:
    return timedelta(seconds=settings.REDUCTION_LEASE_SECONDS)


def _give_up(pk: int) -> None:
    """End a reduction whose workers died again and again, so that it does not kill every worker there is."""
    now = timezone.now()
    worn = Reduction.objects.filter(
        pk=pk, state=ReductionState.REDUCING, lease_until__lt=now, attempt__gte=MOST_ATTEMPTS
    ).first()
    if worn is not None:
        message = f"The worker died {worn.attempt} times over this run; it was given up."
        _failed(Claim(pk, worn.attempt), {"code": "worker-died", "message": message}, refuses=False)


@contextmanager
def kept_alive(claim: Claim) -> Iterator[None]:
    """Renew the lease from a thread of its own for as long as the computation takes."""
    done = threading.Event()

    def renew() -> None:
        try:
            while not done.wait(settings.REDUCTION_LEASE_SECONDS / 3):
                _held(claim).update(lease_until=timezone.now() + _lease())
        finally:
            connection.close()

    thread = threading.Thread(target=renew, name=f"lease-{claim.pk}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def _held(claim: Claim) -> Any:
    return Reduction.objects.filter(pk=claim.pk, attempt=claim.attempt, state=ReductionState.REDUCING)


# Compute --------------------------------------------------------------------------------------------------------------


def _compute(pk: int) -> tuple[Inputs, Outcome]:
    """Read, reduce, keep the curves. Nothing is locked and no transaction is open."""
    reduction = Reduction.objects.select_related(*AROUND).get(pk=pk)
    run = reduction.run
    with bridge.workspace() as folder:
        trace, snapshot = _read(reduction, folder)
        zeros = Zeros(run.zero, run.zero_after)
        if run.kind == Run.Kind.ZERO:
            outcome = bridge.reduce_zero_run(trace, snapshot.setup)
        elif run.kind == Run.Kind.RIG:
            outcome = bridge.keep_rig_run(trace)
        else:
            if not run.zeros_by_hand:
                zeros = Zeros(*zeros_around(run.rig, trace.start, no_later_than=run.uploaded_at))
            before, after = (_read_zero(zero, snapshot, folder) for zero in (zeros.before, zeros.after))
            outcome = bridge.reduce(trace, snapshot.setup, zero=before, zero_after=after)
        digests = _digests(run, zeros)
        bridge.keep_curves(trace, snapshot.setup, key=key_of(digests, snapshot.setup, offset=run.second_offset))
    return Inputs(snapshot, zeros, digests, trace.start, trace.rows, trace.seconds), outcome


def _read(reduction: Reduction, folder: Path) -> tuple[Any, bridge.Snapshot]:
    """The run as recorded, with the setup of its day: where the file tells another day, the setup follows."""
    run, window = reduction.run, _window(reduction)
    if run.file is None:
        raise Conflict(f"{run.code} has no file.", code="file-missing")
    snapshot = bridge.snapshot(run, at=run.started_at or run.uploaded_at, window=window)
    second = bridge.Second(run.second, run.second_offset) if run.second else None
    trace = bridge.read_both(run.file, second, snapshot.setup, folder)
    if trace.start is not None and trace.start != run.started_at:
        then = bridge.snapshot(run, at=trace.start, window=window)
        if then.setup["channel"] != snapshot.setup["channel"]:
            trace = bridge.read_both(run.file, second, then.setup, folder)
        snapshot = then
    return trace, snapshot


def _read_zero(zero: Run | None, snapshot: bridge.Snapshot, folder: Path) -> Any:
    return bridge.read(zero.file, snapshot.setup, folder) if zero is not None and zero.file is not None else None


def _window(reduction: Reduction) -> tuple[float, float] | None:
    if reduction.window_start is None or reduction.window_end is None:
        return None
    return reduction.window_start, reduction.window_end


def _digests(run: Run, zeros: Zeros) -> dict[str, str]:
    files = {
        "run": run.file,
        "second": run.second,
        "zero": zeros.before and zeros.before.file,
        "zero_after": zeros.after and zeros.after.file,
    }
    return {role: file.sha256 for role, file in files.items() if file}


# Finish ---------------------------------------------------------------------------------------------------------------


def _finished(claim: Claim, inputs: Inputs, outcome: Outcome) -> list[int]:
    done = finish_reduction(actor=None, claim=claim, inputs=inputs, outcome=outcome)
    followers = Reduction.objects.filter(
        state=ReductionState.QUEUED, sent_at=None, reason=ZERO_CAME, run__rig=done.run.rig_id
    )
    return list(followers.values_list("pk", flat=True))


@act("reduction.finish")
def finish_reduction(*, actor: User | None, claim: Claim, inputs: Inputs, outcome: Outcome) -> Reduction:
    """Write what was computed, make it the run's current reduction, and say what the run is worth."""
    reduction: Reduction | None = _held(claim).select_for_update().first()
    if reduction is None:
        raise ClaimLost
    run = locked(reduction.run)
    # a zero and a run of one rig that end at the same moment must see one another
    locked(run.rig)
    _fill(reduction, inputs, outcome)
    reduction.save()
    _settle(run, reduction, inputs)
    for touched in runs_touched_by(run) if run.kind == Run.Kind.ZERO else [run]:
        _queue_where_zeros_changed(touched)
    return reduction


def _fill(reduction: Reduction, inputs: Inputs, outcome: Outcome) -> None:
    reduction.state = ReductionState.REDUCED
    reduction.finished_at = timezone.now()
    reduction.lease_until = None
    reduction.method, reduction.method_version = outcome.method, outcome.method_version
    reduction.package_version, reduction.environment = outcome.package_version, outcome.environment
    reduction.inputs, reduction.setup = inputs.digests, inputs.snapshot.setup
    reduction.calibrations = inputs.snapshot.calibrations
    reduction.figures, reduction.flags = outcome.figures, [*outcome.flags, *_from_sample(reduction.run)]
    reduction.shared = outcome.shared
    reduction.result = {
        **outcome.result,
        "run": {**outcome.result.get("run", {}), "code": reduction.run.code},
        "record": _record(reduction, inputs),
    }


def _from_sample(run: Run) -> list[dict[str, Any]]:
    """What happened to the sample before the test and is said with every figure."""
    return [*_past_hold(run), *_excursions(run)]


def _excursions(run: Run) -> list[dict[str, Any]]:
    """The sample was outside its storage condition before it was applied."""
    application = run.application
    if application is None or application.applied_at is None:
        return []
    found = excursions_of(application.sample, application.applied_at)
    reason = f" It was applied all the same: {application.departure}" if application.departure else ""
    return [
        {
            "code": "storage_excursion",
            "severity": "cautions",
            "message": f"{one.sample} was {one.words}: {one.event.condition}.{reason}",
            "figures": [],
            "details": {"temperature": one.event.temperature, "duration": one.event.duration},
        }
        for one in found
    ]


def _past_hold(run: Run) -> list[dict[str, Any]]:
    """The sample was kept longer than its limit before the test: said with every figure, whoever allowed it."""
    over = run.application.hold_over_hours if run.application else None
    if over is None or run.application is None:
        return []
    message = f"hold time exceeded by {over:.0f} h"
    reason = f" It was applied all the same: {run.application.departure}" if run.application.departure else ""
    return [
        {
            "code": "hold_time_exceeded",
            "severity": "cautions",
            "message": f"{message[:1].upper()}{message[1:]}.{reason}",
            "figures": [],
            "details": {"hold_over_hours": over},
        }
    ]


def _record(reduction: Reduction, inputs: Inputs) -> dict[str, Any]:
    """Who asked for it, when it was made, by what, and with which records: what the result alone cannot know."""
    times = {"requested_at": reduction.requested_at, "started_at": reduction.started_at}
    return {
        "reduction": reduction.code,
        "requested_by": reduction.requested_by.username if reduction.requested_by else "",
        "reason": reduction.reason,
        **{name: moment.isoformat() if moment else "" for name, moment in times.items()},
        "finished_at": reduction.finished_at.isoformat() if reduction.finished_at else "",
        "configuration": inputs.snapshot.configuration,
        "calibrations": inputs.snapshot.calibrations,
        "environment": reduction.environment,
        **({"second_offset_s": reduction.run.second_offset} if "second" in inputs.digests else {}),
    }


def _settle(run: Run, reduction: Reduction, inputs: Inputs) -> None:
    """The run after its reduction: its clock, its zeros, its worth; its application counts as measured."""
    run.current = reduction
    run.started_at, run.rows, run.seconds = inputs.started_at, inputs.rows, inputs.seconds
    run.configuration_id = inputs.snapshot.configuration
    run.zero, run.zero_after = inputs.zeros.before, inputs.zeros.after
    doubts = _doubts(run, reduction)
    run.problems = [*doubts, *_remarks(run)]
    if run.state == RunState.CHECKING:
        run.state = RUN_MACHINE.after(run.state, "doubt" if doubts else "accept", name=run.code)
    elif run.state == RunState.UNQUALIFIED and not doubts:
        run.state = RUN_MACHINE.after(run.state, "accept", name=run.code)
    run.save()
    application = run.application
    if application is not None and application.state in (ApplicationState.APPLIED, ApplicationState.SETTLED):
        advance(application, APPLICATION_MACHINE, "measure").save()


def _doubts(run: Run, reduction: Reduction) -> list[Problem]:
    """What keeps a run from being accepted: a zero missing, old or moved; a sensor past its calibration."""
    found = [
        {"code": flag["code"].replace("_", "-"), "message": flag["message"]}
        for flag in reduction.flags
        if flag["code"] in DOUBTS and flag["severity"] == "blocks"
    ]
    for status in channel_states(run.rig, run.started_at or run.uploaded_at):
        if status.problem and status.channel.sensor is not None:
            message = f"Sensor {status.channel.sensor.serial} (column '{status.channel.column}'): {status.problem}."
            found.append({"code": "calibration-overdue", "message": message})
    for check in check_states(run.rig, run.started_at or run.uploaded_at) if run.of_a_layer else ():
        if check.code:
            found.append({"code": check.code, "message": f"{check.problem}."})
    return found


def _remarks(run: Run) -> list[Problem]:
    """What a reader should know of a run without its being doubted."""
    remarks: list[Problem] = []
    if run.started_at is None:
        message = "The file does not tell when it was recorded; the youngest zero before it was sent stands for it."
        remarks.append({"code": "start-unknown", "message": message})
    for other in overlapping(run)[:5]:
        ours, theirs = _span(run), _span(other)
        message = f"Recorded from {ours}; {other.code} of the same rig from {theirs}: the two overlap."
        remarks.append({"code": "runs-overlap", "message": message, "record": other.code})
    return remarks


def _span(run: Run) -> str:
    if run.started_at is None:
        return "an unknown time"
    start = timezone.localtime(run.started_at)
    end = start + timedelta(seconds=run.seconds or 0.0)
    return f"{start:%Y-%m-%d %H:%M:%S} to {end:%H:%M:%S %z}"


# Fail -----------------------------------------------------------------------------------------------------------------


def _failed(claim: Claim, error: dict[str, Any], *, refuses: bool) -> None:
    try:
        fail_reduction(actor=None, claim=claim, error=error, refuses=refuses)
    except ClaimLost:
        log.info("a failed reduction had been taken over", reduction=claim.pk, attempt=claim.attempt)


@act("reduction.fail")
def fail_reduction(*, actor: User | None, claim: Claim, error: dict[str, Any], refuses: bool) -> Reduction:
    """Keep why a reduction failed. Where the file itself is at fault the run is refused; the file stays."""
    reduction: Reduction | None = _held(claim).select_for_update().first()
    if reduction is None:
        raise ClaimLost
    reduction.state = ReductionState.FAILED
    reduction.finished_at, reduction.lease_until, reduction.error = timezone.now(), None, error
    reduction.save()
    run = locked(reduction.run)
    if run.current_id is None:
        run.problems = [error]
    if refuses and run.state == RunState.CHECKING:
        run.state = RUN_MACHINE.after(run.state, "refuse", name=run.code)
    run.save()
    return reduction


# Queue ----------------------------------------------------------------------------------------------------------------


def queue_row(
    run: Run, *, actor: User | None, reason: str = "", window: tuple[float, float] | None = None
) -> Reduction:
    """Make the row of a computation that waits; part of an act. Refuses while another one is at work."""
    if (standing := reduction_at_work(run)) is not None:
        raise Conflict(
            f"{run.code} is being reduced already ({standing.code}).",
            code="reduction-at-work",
            next_step="Wait until it is done; the page shows it by itself.",
            record=standing.code,
        )
    start, end = window or (None, None)
    reduction = Reduction(
        code=next_code("reduction"),
        run=run,
        requested_by=actor,
        reason=reason.strip(),
        window_start=start,
        window_end=end,
    )
    reduction.save()
    return reduction


def _queue_where_zeros_changed(run: Run) -> None:
    """Queue a run anew for which another zero has become the right one since it was reduced."""
    if not run.of_a_layer or run.zeros_by_hand or run.state not in REDUCIBLE:
        return
    right = zeros_around(run.rig, run.started_at, no_later_than=run.uploaded_at)
    if right != (run.zero, run.zero_after) and reduction_at_work(run) is None:
        queue_row(run, actor=None, reason=ZERO_CAME)
