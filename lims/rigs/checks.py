"""Checks between calibrations: what is due, what was found, what speaks against using a rig. Derived when read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from lims.core.errors import Conflict
from lims.core.quantities import spread_from_si
from lims.rigs.models import CheckKind, CheckSchedule, Rig, RigCheck, Sensor
from lims.rigs.selectors import configuration_at

# kind -> unit people see, dimension; flow, power and reference are shares of what they should be
UNITS: Mapping[str, tuple[str, str]] = {
    CheckKind.ISOTHERMAL: ("K", "temperature_difference"),
    CheckKind.GAP_ZERO: ("um", "length"),
    CheckKind.FLOW: ("%", "ratio"),
    CheckKind.POWER: ("%", "ratio"),
    CheckKind.REFERENCE: ("%", "ratio"),
}
KINDS = CheckKind.choices


@dataclass(frozen=True, slots=True)
class CheckStatus:
    """One check that is asked for on a rig, at a time: the last one done, and what speaks against the rig."""

    schedule: CheckSchedule
    last: RigCheck | None
    at: datetime

    @property
    def due_at(self) -> datetime | None:
        """When the next one is due; none where it was never done."""
        return self.last.done_at + self.schedule.every if self.last and self.schedule.every else None

    @property
    def code(self) -> str:
        """`check-missing`, `check-failed`, or nothing."""
        if self.due_at is None or self.due_at < self.at:
            return "check-missing"
        return "" if self.last is None or self.last.passed else "check-failed"

    @property
    def problem(self) -> str:
        """What speaks against the rig, in words; nothing where the check is in order."""
        what = self.schedule.get_kind_display()
        if self.due_at is None:
            return f"{what}: never done"
        if self.code == "check-missing":
            return f"{what}: was due on {timezone.localtime(self.due_at):%Y-%m-%d %H:%M}"
        return f"{what}: outside its limit" if self.code else ""


def schedules_at(rig: Rig, at: datetime) -> list[CheckSchedule]:
    """What was asked for on a rig at a time: of each kind the newest schedule, unless it ended the checks."""
    newest = (
        CheckSchedule.objects.filter(rig=rig, valid_from__lte=at)
        .select_related("rig", "set_by")
        .order_by("kind", "-valid_from", "-id")
        .distinct("kind")
    )
    return [schedule for schedule in newest if schedule.every is not None]


def check_states(rig: Rig, at: datetime | None = None) -> list[CheckStatus]:
    """Each check asked for on a rig at a time (now, unless said), with the last one done before it."""
    moment = at or timezone.now()
    done = RigCheck.objects.filter(rig=rig, done_at__lte=moment).order_by("kind", "-done_at", "-id").distinct("kind")
    last = {check.kind: check for check in done.select_related("rig", "done_by")}
    return [CheckStatus(schedule, last.get(schedule.kind), moment) for schedule in schedules_at(rig, moment)]


def schedule_of(rig: Rig, kind: str, at: datetime) -> CheckSchedule:
    """The schedule of one kind at a time; refuses where nothing is asked for, as there is no limit then."""
    for schedule in schedules_at(rig, at):
        if schedule.kind == kind:
            return schedule
    raise Conflict(
        f"No {CheckKind(kind).label} is asked for on {rig.code}.",
        code="check-not-scheduled",
        next_step="The rig keeper sets how often it is done and within which limit.",
    )


def checks_of(rig: Rig, *, kind: str = "") -> QuerySet[RigCheck]:
    """The checks done on a rig, newest first."""
    found = RigCheck.objects.filter(rig=rig).select_related("rig", "done_by", "evidence")
    return found.filter(kind=kind) if kind else found


def names_of(rig: Rig, kind: str) -> list[str]:
    """What a check reads: each thermometer of the rig for its isothermal zero, else one deviation."""
    if kind != CheckKind.ISOTHERMAL:
        return [kind]
    try:
        channels = configuration_at(rig, timezone.now()).channels.all()
    except Conflict:
        return []
    return [c.sensor.serial for c in channels if c.sensor is not None and _is_thermometer(c.sensor)]


def _is_thermometer(sensor: Sensor) -> bool:
    return sensor.quantity.endswith("temperature") or sensor.quantity in ("coolant_in", "coolant_out")


def check_drawing(checks: Iterable[RigCheck], kind: str) -> dict[str, Any]:
    """The deviations over time with the limits of their days, as plotly takes it."""
    unit, of = UNITS[kind]
    listed = sorted(checks, key=lambda check: check.done_at)
    days = [check.done_at.isoformat() for check in listed]
    names = list(dict.fromkeys(name for check in listed for name in check.values))

    def shown(value: float | None) -> float | None:
        return None if value is None else spread_from_si(value, unit=unit, of=of)

    def curve(name: str) -> dict[str, Any]:
        spread = [shown(2 * check.u) for check in listed]
        return {
            "x": days,
            "y": [shown(check.values.get(name)) for check in listed],
            "error_y": {"type": "data", "array": spread},
            "mode": "lines+markers",
            "name": name.replace("_", " "),
        }

    limits = [
        {
            "x": days,
            "y": [side * (shown(check.limit) or 0.0) for check in listed],
            "mode": "lines",
            "line": {"dash": "dash"},
            "name": "limit",
            "showlegend": side > 0,
        }
        for side in (1, -1)
    ]
    title = {"title": {"text": f"deviation [{unit}]"}}
    return {"data": [*map(curve, names), *limits], "layout": {"yaxis": title, "xaxis": {"title": {"text": "done"}}}}
