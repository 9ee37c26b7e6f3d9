"""Take run files in, and decide about runs: zeros, windows, flags set aside, aborted attempts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any, TypedDict, Unpack

from django.conf import settings
from django.db import IntegrityError
from django.db.models import Sum
from django.utils import timezone

from lims.accounts.acts import act, require, require_not_own_work, require_own
from lims.accounts.models import User
from lims.cases.services import take_repeat
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid, TooLarge, WrongState
from lims.core.machines import advance, locked
from lims.files.models import StoredFile
from lims.files.services import store_file
from lims.rigs.models import Rig
from lims.runs.intake import Incoming, application_in, take_in
from lims.runs.models import Application, Override, Reduction, Run
from lims.runs.reducing import queue_row
from lims.runs.selectors.runs import OPEN_FOR_RUNS, REDUCIBLE, applications_open, run_with_file
from lims.runs.states import RUN_MACHINE, ApplicationState, ReductionState, RunState
from lims.runs.tasks import send_after_commit
from lims.samples.models import Sample
from lims.signatures.models import Meaning
from lims.signatures.services import sign

TAKES_RUNS = (*OPEN_FOR_RUNS, ApplicationState.TORN_DOWN)


class About(TypedDict, total=False):
    """What the sender says about a file; what is left out is taken from the file's own notes."""

    application: Application | None
    rig: Rig | None
    kind: str
    zero: Run | None
    zero_after: Run | None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a file belongs: what kind of run it is, of which rig, of which application."""

    kind: str
    rig: Rig
    application: Application | None


# Upload ---------------------------------------------------------------------------------------------------------------


def upload_run(
    *, actor: User, content: Any, name: str, digest: str = "", key: str | None = None, **about: Unpack[About]
) -> Run:
    """Take one run file in: kept byte for byte under its SHA-256, its reduction queued. Returns the run.

    `digest` is what the sender says the SHA-256 is. Refuses a file that no rig writes, bytes that are a run already,
    and a file that contradicts what is said about it; then nothing is stored.
    """
    incoming = take_in(content, name=name, digest=digest)
    try:
        return _upload(actor=actor, incoming=incoming, key=key, **about)  # type: ignore[call-arg]
    except IntegrityError:
        # the same bytes came at the same moment by another door
        if (standing := run_with_file(incoming.sha256)) is not None:
            raise _stands_already(standing, incoming) from None
        raise


def record_zero(*, actor: User, rig: Rig, content: Any, name: str, key: str | None = None) -> Run:
    """Take in a zero of a rig's gap sensor."""
    return upload_run(actor=actor, content=content, name=name, key=key, rig=rig, kind=Run.Kind.ZERO)


@act("run.upload")
def _upload(*, actor: User, incoming: Incoming, **about: Unpack[About]) -> Run:
    _refuse_same_bytes(incoming)
    place = _placed(incoming, about)
    if place.kind in (Run.Kind.ZERO, Run.Kind.RIG):
        require(actor, "rig.record_zero")
    _refuse_beyond_quota(actor, incoming)
    file = store_file(incoming.content, name=incoming.name, media_type=incoming.media_type, by=actor)
    # storing waits for another upload of the same bytes, whose run may stand by now
    _refuse_same_bytes(incoming)
    run = Run(
        code=next_code("run"),
        kind=place.kind,
        application=place.application,
        rig=place.rig,
        file=file,
        uploaded_by=actor,
        zero=about.get("zero"),
        zero_after=about.get("zero_after"),
        zeros_by_hand=about.get("zero") is not None or about.get("zero_after") is not None,
    )
    run.state = RUN_MACHINE.after(run.state, "check", name=run.code)
    _refuse_odd_zeros(run)
    if run.kind == Run.Kind.SAMPLE and run.application is not None:
        take_repeat(made_of(run.application.sample), actor=actor, run=run.code)
    run.save()
    queue_reduction(run, actor=actor)
    return run


def made_of(sample: Sample) -> list[tuple[str, str]]:
    """The sample and the batch it was taken from, by kind and code."""
    return [("sample", sample.code)] + ([("batch", sample.batch.code)] if sample.batch else [])


def _refuse_same_bytes(incoming: Incoming) -> None:
    if (standing := run_with_file(incoming.sha256)) is not None:
        raise _stands_already(standing, incoming)


def _stands_already(standing: Run, incoming: Incoming) -> Conflict:
    who, when = standing.uploaded_by.printed_name, timezone.localtime(standing.uploaded_at)
    return Conflict(
        f"{incoming.name} holds the same bytes as {standing.code}, sent by {who} on {when:%Y-%m-%d at %H:%M %z}.",
        code="run-exists",
        next_step=f"Open {standing.code}. The same recording cannot count twice.",
        record=standing.code,
        uploaded_by=who,
        uploaded_at=standing.uploaded_at.isoformat(),
    )


def _refuse_beyond_quota(actor: User, incoming: Incoming) -> None:
    day = timezone.now() - timedelta(days=1)
    sent = StoredFile.objects.filter(stored_by=actor, stored_at__gte=day).aggregate(total=Sum("size"))["total"] or 0
    if sent + incoming.size > settings.UPLOAD_QUOTA_BYTES:
        raise TooLarge(
            f"{actor.printed_name} has sent {sent:,} bytes within a day; {settings.UPLOAD_QUOTA_BYTES:,} are allowed.",
            code="quota-used-up",
            next_step="Go on tomorrow, or ask the administrator for more.",
        )


def _placed(incoming: Incoming, about: About) -> Place:
    """Where the file belongs, from what was said and what the file says; refuses where the two differ."""
    application, kind = about.get("application"), about.get("kind") or _kind_said(incoming)
    rig = about.get("rig") or (application.rig if application else None)
    if rig is None and "rig" in incoming.notes:
        rig = _rig_said(incoming.notes["rig"])
    if kind in (Run.Kind.ZERO, Run.Kind.RIG):
        return Place(kind, _agreed_rig(incoming, _known_rig(incoming, rig)), None)
    application = application or propose_application(incoming, rig)
    _refuse_other_application(incoming, application)
    _refuse_closed(application)
    _agreed_rig(incoming, about.get("rig") or application.rig)
    if rig is not None and rig != application.rig:
        raise Invalid(
            f"{application.code} stands on {application.rig}, not on {rig}.",
            code="file-contradicts-form",
            fields={"rig": [f"{application.code} stands on {application.rig.code}."]},
        )
    return Place(kind or _kind_of(application), application.rig, application)


def _kind_said(incoming: Incoming) -> str:
    said = incoming.notes.get("kind", "").strip().lower()
    return said if said in Run.Kind.values else ""


def _kind_of(application: Application) -> str:
    return Run.Kind.REFERENCE if application.sample.reference else Run.Kind.SAMPLE


def _rig_said(said: str) -> Rig | None:
    found = [rig for rig in Rig.objects.all() if _names(rig, said)]
    return found[0] if len(found) == 1 else None


def _names(rig: Rig, said: str) -> bool:
    """Whether what a file says of its rig is this rig's code, name or serial number."""
    return said.strip().casefold() in {rig.code.casefold(), rig.name.casefold(), rig.serial.casefold()} - {""}


def _known_rig(incoming: Incoming, rig: Rig | None) -> Rig:
    if rig is None:
        raise Invalid(
            f"{incoming.name}: which rig was this recorded on?",
            code="rig-unknown",
            next_step="Choose the rig, or let the rig's program write a line '# rig: <name>'.",
            fields={"rig": ["Choose the rig."]},
        )
    return rig


def _agreed_rig(incoming: Incoming, rig: Rig) -> Rig:
    said = [incoming.notes[key] for key in ("rig", "rig serial", "serial") if incoming.notes.get(key)]
    for words in said:
        if not _names(rig, words):
            raise Invalid(
                f"{incoming.name} says it comes from rig '{words}'; here it is given to {rig}"
                f"{f' (serial {rig.serial})' if rig.serial else ''}.",
                code="file-contradicts-form",
                next_step="Choose the right application or rig, or send the right file.",
                fields={"rig": [f"The file says '{words}'."]},
                in_file=words,
                in_form=rig.code,
            )
    return rig


def propose_application(incoming: Incoming, rig: Rig | None) -> Application:
    """The application a file belongs to: named in the file, or the only open one of its sample or its rig."""
    if code := application_in(incoming):
        found = Application.objects.select_related("sample", "rig").filter(code=code).first()
        if found is None:
            raise _no_application(incoming, f"it names {code}, which does not exist")
        return found
    open_ones = applications_open(rig)
    if sample := incoming.notes.get("sample", "").strip().upper():
        open_ones = open_ones.filter(sample__code=sample)
    elif rig is None:
        raise _no_application(incoming, "neither the form nor the file names one")
    candidates = list(open_ones[:5])
    if len(candidates) == 1:
        return candidates[0]
    names = ", ".join(a.code for a in candidates)
    raise _no_application(incoming, f"several are open: {names}" if names else "none is open that fits", candidates)


def _no_application(incoming: Incoming, why: str, candidates: list[Application] | None = None) -> Invalid:
    return Invalid(
        f"{incoming.name}: which application was recorded? {why[:1].upper()}{why[1:]}.",
        code="application-unknown",
        next_step="Choose the application and send the file again.",
        fields={"application": ["Choose the application."]},
        candidates=[a.code for a in candidates or ()],
    )


def _refuse_other_application(incoming: Incoming, application: Application) -> None:
    said = {"application": application.code, "sample": application.sample.code}
    for key, ours in said.items():
        theirs = incoming.notes.get(key, "").strip()
        if theirs and theirs.casefold() != ours.casefold():
            raise Invalid(
                f"{incoming.name} says {key} {theirs}; here it is given to {ours} ({application.code}).",
                code="file-contradicts-form",
                next_step="Choose the right application, or send the right file.",
                fields={"application": [f"The file says {key} {theirs}."]},
                in_file=theirs,
                in_form=ours,
            )


def _refuse_closed(application: Application) -> None:
    if application.state not in TAKES_RUNS:
        raise Conflict(
            f"{application.code} is {application.state.replace('_', ' ')}; a run cannot belong to it.",
            code="application-not-open",
            next_step="Put the material on first (apply), or choose another application.",
            state=application.state,
        )


def _refuse_odd_zeros(run: Run) -> None:
    for field in ("zero", "zero_after"):
        zero: Run | None = getattr(run, field)
        if zero is not None and (zero.kind != Run.Kind.ZERO or zero.rig_id != run.rig_id):
            raise Invalid(
                f"{zero.code} is no zero of {run.rig.code}.",
                code="not-a-zero",
                fields={field: [f"Choose a zero of {run.rig.code}."]},
            )


@act("run.abort")
def declare_aborted(
    application: Application, *, actor: User, reason: str, content: Any = None, name: str = "run"
) -> Run:
    """Say that an attempt was broken off. It counts as an attempt; a file, where there is one, is kept with it."""
    require_own(actor, "run.abort", application.applied_by_id)
    if not reason.strip():
        raise Invalid("Say why the run was broken off.", fields={"reason": ["Write the reason."]})
    file = None
    if content is not None:
        incoming = take_in(content, name=name)
        _refuse_same_bytes(incoming)
        file = store_file(incoming.content, name=incoming.name, media_type=incoming.media_type, by=actor)
    run = Run(
        code=next_code("run"),
        kind=_kind_of(application),
        application=application,
        rig=application.rig,
        file=file,
        state=RunState.ABORTED,
        uploaded_by=actor,
        reason=reason.strip(),
    )
    run.save()
    return run


# Reduce again ---------------------------------------------------------------------------------------------------------


def queue_reduction(
    run: Run, *, actor: User | None, reason: str = "", window: tuple[float, float] | None = None
) -> Reduction:
    """Queue one computation of `run` and hand it to the worker after the commit; part of an act."""
    reduction = queue_row(run, actor=actor, reason=reason, window=window)
    send_after_commit(reduction)
    return reduction


def _refuse_unreducible(run: Run) -> None:
    if run.state not in REDUCIBLE:
        raise Conflict(
            f"{run.code} is {run.state}; it cannot be reduced again.",
            code="wrong-state",
            next_step="Send the file again as a new run." if run.state == RunState.REFUSED else "",
            state=run.state,
        )


def _reason(reason: str) -> str:
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Write the reason; it stays with the figures."]})
    return reason.strip()


@act("reduction.request")
def request_reduction(run: Run, *, actor: User | None, reason: str) -> Reduction:
    """Compute a run's figures again, with the setup that holds for its day now. The earlier reductions stay."""
    fresh = locked(run)
    _refuse_unreducible(fresh)
    return queue_reduction(fresh, actor=actor, reason=_reason(reason))


@act("reduction.choose_window")
def choose_window(run: Run, *, actor: User, start: float, end: float, reason: str) -> Reduction:
    """Compute a run's figures over a window [s] chosen by hand, with the reason. The earlier reductions stay."""
    fresh = locked(run)
    _refuse_unreducible(fresh)
    words = _window_problem(fresh, start, end)
    if words:
        raise Invalid(words, code="window-outside", fields={"end": [words]})
    return queue_reduction(fresh, actor=actor, reason=_reason(reason), window=(start, end))


def _window_problem(run: Run, start: float, end: float) -> str:
    if not 0 <= start < end:
        return f"A window runs from an earlier to a later second of the run; {start:g} to {end:g} does not."
    if run.seconds is not None and end > run.seconds:
        return f"The run lasts {run.seconds:g} s; the window ends at {end:g} s."
    return ""


@act("run.choose_zeros")
def choose_zeros(run: Run, *, actor: User, zero: Run | None, zero_after: Run | None = None, reason: str) -> Run:
    """Choose the zeros of a run by hand and reduce it with them."""
    fresh = locked(run)
    _refuse_unreducible(fresh)
    fresh.zero, fresh.zero_after, fresh.zeros_by_hand = zero, zero_after, True
    _refuse_odd_zeros(fresh)
    fresh.save()
    queue_reduction(fresh, actor=actor, reason=_reason(reason))
    return fresh


@act("run.override_flag")
def override_flag(reduction: Reduction, *, actor: User, flag: str, reason: str) -> Override:
    """Set a blocking flag of a reduction aside, by name and with a reason; not of one's own work."""
    run = locked(reduction.run)
    require_not_own_work(actor, "run.override_flag", _took_part(run, reduction))
    _refuse_no_override(reduction, flag)
    override = Override(reduction=reduction, flag=flag, by=actor, reason=_reason(reason))
    override.full_clean()
    override.save()
    if run.state == RunState.UNQUALIFIED and run.current_id == reduction.pk and not still_blocking(reduction):
        qualified = advance(run, RUN_MACHINE, "accept")
        qualified.reason = f"{flag} set aside: {override.reason}"
        qualified.save()
    return override


@act("run.qualify")
def qualify_run(run: Run, *, actor: User, reason: str, password: str) -> Run:
    """Accept an unqualified run after its doubts were looked into: signed, with the evidence in the reason.

    A blocking flag still blocks until it is set aside by name; not by somebody who took part in the work.
    """
    fresh: Run = advance(run, RUN_MACHINE, "accept") if run.state == RunState.UNQUALIFIED else _not_unqualified(run)
    current = fresh.current
    require_not_own_work(actor, "run.qualify", _took_part(fresh, current))
    fresh.reason = _reason(reason)
    content = {
        "run": fresh.code,
        "doubts": fresh.problems,
        "reduction": current.code if current else "",
        "reason": fresh.reason,
    }
    sign(actor=actor, password=password, meaning=Meaning.REVIEWED, subject=("run", fresh.code), content=content)
    fresh.save()
    return fresh


def _not_unqualified(run: Run) -> Run:
    raise WrongState(
        f"{run.code} is {run.state}; only an unqualified run is qualified.",
        state=run.state,
        allowed=RUN_MACHINE.allowed(run.state),
    )


def _took_part(run: Run, reduction: Reduction | None) -> set[int | None]:
    people = {run.uploaded_by_id, reduction.requested_by_id if reduction else None}
    if run.application is not None:
        people |= {run.application.applied_by_id, run.application.planned_by_id}
    return people


def _refuse_no_override(reduction: Reduction, flag: str) -> None:
    if reduction.state != ReductionState.REDUCED:
        raise Conflict(f"{reduction.code} is {reduction.state}; it has no flags yet.", code="wrong-state")
    blocking = {f["code"] for f in reduction.flags if f["severity"] == "blocks"}
    if flag not in blocking:
        raise Invalid(
            f"{reduction.code} has no blocking flag '{flag}'.",
            code="no-such-flag",
            fields={"flag": [f"One of: {', '.join(sorted(blocking)) or 'none'}."]},
        )
    if reduction.overrides.filter(flag=flag).exists():
        raise Conflict(f"'{flag}' of {reduction.code} is set aside already.", code="flag-set-aside")


def still_blocking(reduction: Reduction) -> set[str]:
    """The blocking flags of a reduction that nobody set aside."""
    aside = set(reduction.overrides.values_list("flag", flat=True))
    return {flag["code"] for flag in reduction.flags if flag["severity"] == "blocks"} - aside
