"""Checks between calibrations: ask for them, and keep what was found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NotRequired, TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.cases.services import open_nonconformance
from lims.core.errors import Invalid
from lims.core.machines import locked
from lims.files.models import StoredFile
from lims.rigs.checks import names_of, schedule_of
from lims.rigs.models import CheckKind, CheckSchedule, Rig, RigCheck


class Asked(TypedDict):
    """How often a check is asked for, None for no longer, and within which limit either way [SI]."""

    every: timedelta | None
    limit: float
    reason: str
    valid_from: NotRequired[datetime]


class Found(TypedDict):
    """What a check found: deviations [SI] by sensor, `u` standard of each."""

    values: Mapping[str, float]
    u: float
    done_at: NotRequired[datetime | None]
    remarks: NotRequired[str]
    evidence: NotRequired[StoredFile | None]


@act("rig.schedule_check")
def schedule_check(rig: Rig, *, actor: User, kind: str, **asked: Unpack[Asked]) -> CheckSchedule:
    """Ask for a check every so often, within a limit [SI] either way; `every` None ends it. The last one stays."""
    every, limit, reason = asked["every"], asked["limit"], asked["reason"]
    if kind not in CheckKind.values:
        raise Invalid("There is no such check.", fields={"kind": [f"Choose one of: {', '.join(CheckKind.values)}."]})
    if every is not None and every <= timedelta(0):
        raise Invalid("The period is not above zero.", fields={"every": ["Must be above zero."]})
    if not limit > 0 or not math.isfinite(limit):
        raise Invalid("The limit is not above zero.", fields={"limit": ["Must be above zero."]})
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A schedule needs a reason."]})
    schedule = CheckSchedule(
        rig=locked(rig),
        kind=kind,
        every=every,
        limit=limit,
        valid_from=asked.get("valid_from") or timezone.now(),
        set_by=actor,
        reason=reason.strip(),
    )
    schedule.save()
    return schedule


@act("rig.check")
def record_check(rig: Rig, *, actor: User, kind: str, **found: Unpack[Found]) -> RigCheck:
    """Keep a check: `values` deviations [SI] by sensor, `u` standard of each. One outside the limit holds the rig."""
    values, u, moment = found["values"], found["u"], found.get("done_at") or timezone.now()
    if moment > timezone.now() + timedelta(minutes=5):
        raise Invalid("The check lies in the future.", fields={"done_at": ["Write when it was done."]})
    schedule = schedule_of(locked(rig), kind, moment)
    _refuse_odd(names_of(rig, kind), values, u)
    check = RigCheck(
        rig=rig,
        kind=kind,
        done_at=moment,
        values=dict(values),
        u=u,
        limit=schedule.limit,
        passed=all(abs(value) <= schedule.limit for value in values.values()),
        remarks=found.get("remarks", "").strip(),
        evidence=found.get("evidence"),
        done_by=actor,
    )
    check.save()
    if not check.passed:
        bad = ", ".join(name for name, value in values.items() if abs(value) > schedule.limit)
        what = f"{check.get_kind_display()} of {rig.code} outside its limit"
        open_nonconformance(rig, actor=None, title=what, description=f"{what}: {bad}. {check.remarks}".strip())
    return check


def _refuse_odd(names: list[str], values: Mapping[str, float], u: float) -> None:
    missing = [name for name in names if name not in values]
    if missing or not values:
        words = ", ".join(missing) or "every sensor"
        raise Invalid(f"No deviation is given for {words}.", fields={"values": [f"Missing: {words}."]})
    if odd := [name for name in values if name not in names]:
        raise Invalid(f"This check reads no {', '.join(odd)}.", fields={"values": [f"Expected: {', '.join(names)}."]})
    if not all(math.isfinite(value) for value in values.values()) or not math.isfinite(u) or u < 0:
        raise Invalid("A number is expected.", fields={"values": ["Write numbers."], "u": ["Zero or above."]})
