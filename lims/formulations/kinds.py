"""The settings a process step can have: each with its label, its dimension and the unit it is shown in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lims.core.display import pretty_unit
from lims.core.quantities import from_si, to_si


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of a step. `floor`: the narrowest tolerance in the unit shown (common practice, no source)."""

    key: str
    label: str
    dimension: str
    shown: str
    floor: float = 0.0


SETTINGS: Mapping[str, Setting] = {
    setting.key: setting
    for setting in (
        Setting("speed", "speed", "rate", "1/min"),
        Setting("duration", "time", "time", "min"),
        Setting("pressure", "absolute pressure", "pressure", "mbar"),
        Setting("temperature", "temperature", "temperature", "degC", 2.0),
    )
}


@dataclass(frozen=True, slots=True)
class ProcessTest:
    """One kind of in-process test: a value of a dimension in the unit shown, or words where `dimension` is empty."""

    key: str
    label: str
    dimension: str
    shown: str


TESTS: Mapping[str, ProcessTest] = {
    test.key: test
    for test in (
        ProcessTest("density", "density", "density", "g/cm^3"),
        ProcessTest("viscosity", "viscosity", "viscosity", "Pa*s"),
        ProcessTest("fineness", "fineness of grind", "length", "um"),
        ProcessTest("volatile_loss", "volatile loss", "ratio", "%"),
        ProcessTest("appearance", "appearance", "", ""),
    )
}


@dataclass(frozen=True, slots=True)
class ShownSetting:
    """One setting of one step in the unit it is shown in."""

    key: str
    label: str
    value: float
    unit: str

    @property
    def text(self) -> str:
        return f"{self.value:.6g} {pretty_unit(self.unit)}"


def shown_settings(step: Any) -> list[ShownSetting]:
    """The settings of a step (a mapping or an object) that have a value."""
    found = []
    for key, known in SETTINGS.items():
        value = step.get(key) if isinstance(step, Mapping) else getattr(step, key)
        if value is not None:
            found.append(
                ShownSetting(key, known.label, from_si(value, unit=known.shown, of=known.dimension), known.shown)
            )
    return found


def setting_to_si(key: str, value: float | None) -> float | None:
    """A setting typed in the unit it is shown in, as SI."""
    known = SETTINGS[key]
    return None if value is None else to_si(float(value), unit=known.shown, of=known.dimension, field=key)


def is_off(key: str, *, target: float, actual: float, tolerance: float) -> bool:
    """Whether a setting misses its target by more than the tolerance, a fraction of the target as it is shown."""
    known = SETTINGS[key]
    aim = from_si(target, unit=known.shown, of=known.dimension)
    got = from_si(actual, unit=known.shown, of=known.dimension)
    return abs(got - aim) > max(tolerance * abs(aim), known.floor) * (1 + 1e-9)
