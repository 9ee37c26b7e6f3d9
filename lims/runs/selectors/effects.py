"""What a sensor found off did to every figure since its last good point: computed anew, with the error taken out."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.cache import cache

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.files.models import StoredFile
from lims.rigs.models import Calibration
from lims.rigs.states import CalibrationState
from lims.runs import bridge
from lims.runs.models import Reduction, Run

SHOWN = ("temperature_rise", "thermal_impedance", "gap", "apparent_conductivity")
KEPT_FOR = 7 * 24 * 3600  # [s]


@dataclass(frozen=True, slots=True)
class Effect:
    """One figure as it stands, and as it is with the sensor's error taken out; `problem` where that cannot be."""

    run: Run
    figure: str
    old: dict[str, Any] | None
    corrected: dict[str, Any] | None
    problem: str = ""

    @property
    def change(self) -> float | None:
        """Corrected less old, in SI."""
        if self.old is None or self.corrected is None:
            return None
        return float(self.corrected["value"]) - float(self.old["value"])

    @property
    def beyond(self) -> bool:
        """Whether the change is larger than the expanded uncertainty of the figure as it stands."""
        if self.old is None or self.change is None:
            return False
        return abs(self.change) > float(self.old["k"]) * float(self.old["u"])

    @property
    def old_shown(self) -> dict[str, Any] | None:
        """The figure as it stands, in the unit people see."""
        return bridge.shown_figure(self.figure, self.old) if self.old else None

    @property
    def new_shown(self) -> dict[str, Any] | None:
        """The corrected figure, in the unit people see."""
        return bridge.shown_figure(self.figure, self.corrected) if self.corrected else None


def last_good_point(calibration: Calibration) -> datetime | None:
    """When the sensor was last known to be right: the last calibration before, at which it was not found off."""
    earlier = calibration.sensor.calibrations.filter(
        state=CalibrationState.IN_FORCE, period__startswith__lt=calibration.period.lower
    ).order_by("-period")
    good = earlier.first()
    return good.period.lower if good else None


def runs_affected(user: User, calibration: Calibration) -> list[Run]:
    """The runs since the sensor's last good point whose figures were made with it."""
    require(user, "laboratory.read")
    since = last_good_point(calibration)
    of_sensor = set(calibration.sensor.calibrations.values_list("pk", flat=True))
    rows = Run.objects.filter(rig=calibration.sensor.rig, current__isnull=False).select_related(
        "current", "rig", "application__sample"
    )
    within = [run for run in rows.order_by("id") if _within(run, since, calibration.period.lower)]
    return [run for run in within if run.current and of_sensor & set(run.current.calibrations) and run.of_a_layer]


def _within(run: Run, since: datetime | None, until: datetime) -> bool:
    moment = run.started_at or run.uploaded_at
    return moment < until and (since is None or moment >= since)


def effects_of(user: User, calibration: Calibration) -> list[Effect]:
    """Every figure since the last good point, old and corrected, run by run."""
    error = calibration.error_found or 0.0
    return [effect for run in runs_affected(user, calibration) for effect in _effects(run, calibration, error)]


def _effects(run: Run, calibration: Calibration, error: float) -> Iterator[Effect]:
    reduction = run.current
    if reduction is None:
        return
    corrected, problem = _corrected(reduction, calibration, error)
    for key in SHOWN:
        if key in reduction.figures:
            yield Effect(run, key, reduction.figures[key], corrected.get(key), problem)


def _corrected(reduction: Reduction, calibration: Calibration, error: float) -> tuple[dict[str, Any], str]:
    """The figures with the sensor's error taken from its readings, kept in the cache."""
    name = f"{reduction.code} {calibration.pk} {error!r}"
    key = "effect-" + hashlib.sha256(name.encode()).hexdigest()
    kept: tuple[dict[str, Any], str] | None = cache.get(key)
    if kept is None:
        try:
            kept = _reduced(reduction, _without_error(reduction, calibration, error)), ""
        except bridge.Failed as failed:
            kept = {}, str(failed.error["message"])
        cache.set(key, kept, KEPT_FOR)
    return kept


def _without_error(reduction: Reduction, calibration: Calibration, error: float) -> dict[str, Any]:
    setup: dict[str, Any] = deepcopy(reduction.setup)
    column = _column_of(reduction, calibration)
    for row in setup["channel"]:
        if row["column"] == column:
            row["offset"] = float(row.get("offset", 0.0)) - error
    return setup


def _column_of(reduction: Reduction, calibration: Calibration) -> str:
    configuration = reduction.run.configuration
    rows = configuration.channels.filter(sensor=calibration.sensor) if configuration else ()
    return next((row.column for row in rows), "")


def _reduced(reduction: Reduction, setup: dict[str, Any]) -> dict[str, Any]:
    with bridge.workspace() as folder:

        def read(role: str) -> Any:
            digest = reduction.inputs.get(role)
            if not digest:
                return None
            second = bridge.second_of(reduction) if role == "run" else None
            return bridge.read_both(StoredFile.objects.get(sha256=digest), second, setup, folder)

        return bridge.reduce(read("run"), setup, zero=read("zero"), zero_after=read("zero_after")).figures
