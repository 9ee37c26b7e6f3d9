"""Set a result aside: only with an assignable cause on record, its evidence, and two persons who took no part."""

from __future__ import annotations

from lims.accounts.acts import act, require, require_not_own_work
from lims.accounts.models import User
from lims.accounts.secrets import check_password
from lims.cases.models import Nonconformance
from lims.cases.services import Second
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.core.machines import advance
from lims.runs.models import Run
from lims.runs.selectors.batches import case_behind
from lims.runs.states import RUN_MACHINE
from lims.signatures.models import Meaning
from lims.signatures.services import sign


@act("run.invalidate")
def invalidate_run(run: Run, *, actor: User, password: str, second: Second, reason: str) -> Run:
    """Say that a run's figures are wrong, by two persons; it stays on record and counts as an attempt.

    An odd figure alone is no cause: a nonconformance about the sample or its batch has to name one, with evidence.
    """
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["This is needed."]})
    case = case_behind(run)
    if case is None:
        raise Conflict(
            f"No nonconformance names an assignable cause for {run.code}.",
            code="no-assignable-cause",
            next_step="Open one about the sample or its batch, take its first look, sign the cause with evidence.",
        )
    _require_two(run, actor, second)
    fresh: Run = advance(run, RUN_MACHINE, "invalidate")
    fresh.reason = f"{case.code}: {reason.strip()}"
    sign(
        actor=actor,
        password=password,
        meaning=Meaning.REJECTED,
        subject=("run", fresh.code),
        content=_content(fresh, case, second),
    )
    fresh.save()
    return fresh


def _require_two(run: Run, actor: User, second: Second) -> None:
    if second.person == actor:
        raise NotAllowed("Two persons are needed.", code="same-person")
    took_part: set[int | None] = {run.uploaded_by_id}
    if run.application is not None:
        took_part |= {run.application.applied_by_id, run.application.planned_by_id}
    for person in (actor, second.person):
        require(person, "run.invalidate")
        require_not_own_work(person, "run.invalidate", took_part)
    check_password(second.person, second.password)


def _content(run: Run, case: Nonconformance, second: Second) -> dict[str, str]:
    evidence = case.evidence.sha256 if case.evidence else ""
    return {
        "run": run.code,
        "case": case.code,
        "cause": case.cause,
        "evidence": evidence,
        "reason": run.reason,
        "second": second.person.printed_name,
    }
