"""Whether a rig may be used: its state, its configuration, its calibrations. Derived when read, never stored."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime

from django.utils import timezone

from lims.core.errors import Conflict
from lims.rigs.models import Calibration, ConfigurationChannel, Rig, RigConfiguration
from lims.rigs.selectors import calibrations_at, configurations_at, no_configuration
from lims.rigs.states import RigState


@dataclass(frozen=True, slots=True)
class ChannelStatus:
    """One channel of a rig with the calibration in force and what speaks against using it that day."""

    channel: ConfigurationChannel
    calibration: Calibration | None
    problem: str = ""

    @property
    def due_on(self) -> date | None:
        return self.calibration.due_on if self.calibration else None


@dataclass(frozen=True, slots=True)
class Readiness:
    """A rig at a time: its configuration, its channels, and why it may not be used, where it may not."""

    rig: Rig
    at: datetime
    configuration: RigConfiguration | None = None
    channels: list[ChannelStatus] = field(default_factory=list)

    @property
    def next_due(self) -> date | None:
        """The day on which the first calibration in force is due."""
        return min((status.due_on for status in self.channels if status.due_on), default=None)

    @property
    def refusal(self) -> Conflict | None:
        """Why the rig may not be used; none where it may."""
        if self.rig.state != RigState.IN_SERVICE:
            return Conflict(
                f"{self.rig.code} is out of service: {self.rig.state_reason}",
                code="rig-out-of-service",
                next_step="Take another rig, or ask the rig keeper.",
            )
        if self.configuration is None:
            return no_configuration(self.rig, self.at)
        bad = [status for status in self.channels if status.problem]
        return _calibration_refusal(self.rig, bad) if bad else None


def readiness_of(rigs: Iterable[Rig], at: datetime | None = None) -> dict[int, Readiness]:
    """Some rigs at a time (now, unless said), by their keys; as many queries for many rigs as for one."""
    listed, moment = list(rigs), at or timezone.now()
    configurations = configurations_at(listed, moment)
    calibrations = calibrations_at(listed, moment)
    day = timezone.localdate(moment)
    found = {}
    for rig in listed:
        configuration = configurations.get(rig.pk)
        channels = configuration.channels.all() if configuration else []
        states = [_channel_status(channel, calibrations, day) for channel in channels]
        found[rig.pk] = Readiness(rig, moment, configuration, states)
    return found


def readiness(rig: Rig, at: datetime | None = None) -> Readiness:
    """One rig at a time (now, unless said)."""
    return readiness_of([rig], at)[rig.pk]


def channel_states(rig: Rig, at: datetime | None = None) -> list[ChannelStatus]:
    """Each channel of a rig at a time (now, unless said) with its calibration; empty where it has no configuration."""
    return readiness(rig, at).channels


def next_due(rig: Rig) -> date | None:
    """The day on which the first calibration in force on a rig is due."""
    return readiness(rig).next_due


def refuse_unusable(rig: Rig, at: datetime | None = None) -> None:
    """Refuse a rig that is out of service, not configured, or has a channel whose calibration is overdue or missing."""
    refusal = readiness(rig, at).refusal
    if refusal is not None:
        raise refusal


def _channel_status(channel: ConfigurationChannel, calibrations: dict[int, Calibration], day: date) -> ChannelStatus:
    if channel.sensor_id is None:
        return ChannelStatus(channel, None)
    calibration = calibrations.get(channel.sensor_id)
    if calibration is None:
        return ChannelStatus(channel, None, "no calibration in force")
    overdue = calibration.due_on < day
    return ChannelStatus(channel, calibration, f"calibration was due on {calibration.due_on}" if overdue else "")


def _calibration_refusal(rig: Rig, bad: list[ChannelStatus]) -> Conflict:
    words = "; ".join(f"{s.channel.sensor.serial if s.channel.sensor else ''}: {s.problem}" for s in bad)
    due = min((s.due_on for s in bad if s.due_on), default=None)
    return Conflict(
        f"{rig.code} cannot be used: {words}.",
        code="calibration-overdue" if due else "calibration-missing",
        next_step="Take another rig, or have the sensor calibrated.",
        due_on=due.isoformat() if due else None,
        sensors=[s.channel.sensor.serial for s in bad if s.channel.sensor],
    )
