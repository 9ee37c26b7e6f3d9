"""The lines and steps of a recipe as they are handed to a service, and their checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from lims.core.errors import Invalid
from lims.formulations.kinds import TESTS
from lims.materials.models import Material

TOLERANCE = Decimal("0.0001")


@dataclass(frozen=True, slots=True)
class LineSpec:
    """One line: a material, its mass fraction (0.25 is 25 %), and how near it must be weighed, of its target."""

    material: Material
    fraction: Decimal
    tolerance: Decimal = Decimal("0.005")
    outer_tolerance: Decimal = Decimal("0.02")

    def __str__(self) -> str:
        return f"{self.material.code}:{self.fraction}:{self.tolerance}:{self.outer_tolerance}"


@dataclass(frozen=True, slots=True)
class StepSpec:
    """One step: what to do, with its targets in SI, and whether a second person must see it."""

    instruction: str
    speed: float | None = None
    duration: float | None = None
    pressure: float | None = None
    temperature: float | None = None
    tolerance: float = 0.1
    hold_point: bool = False

    def targets(self) -> dict[str, float]:
        """The settings that have a target, SI."""
        return {name: value for name in TARGETS if (value := getattr(self, name)) is not None}


@dataclass(frozen=True, slots=True)
class LimitOfTest:
    """The limits a version sets for one in-process test, SI; at least one end."""

    test: str
    lower: float | None = None
    upper: float | None = None

    def __str__(self) -> str:
        return f"{self.test}:{self.lower}:{self.upper}"


TARGETS = ("speed", "duration", "pressure", "temperature")


def check_total(lines: Sequence[LineSpec | Any], *, tolerance: Decimal = TOLERANCE) -> None:
    """Refuse a composition that does not make 100 %, saying how much is missing or too much."""
    if not lines:
        raise Invalid("There are no lines yet.", fields={"lines": ["At least one material is expected."]})
    total = sum((line.fraction for line in lines), Decimal(0))
    gap = (Decimal(1) - total) * 100
    if abs(total - 1) > tolerance:
        words = f"{percent(gap)} % missing" if gap > 0 else f"{percent(-gap)} % too much"
        message = f"The lines make {percent(total * 100)} %, not 100 %: {words}."
        raise Invalid(message, code="total-not-100", fields={"lines": [f"{words}."]}, missing=percent(gap))


def check_lines(lines: Sequence[LineSpec]) -> None:
    """Refuse fractions and tolerances that make no sense, naming the line."""
    for number, line in enumerate(lines, start=1):
        if not 0 < line.fraction <= 1:
            raise Invalid(f"Line {number}: more than 0 % and at most 100 % is expected.", fields=_at(number))
        if not 0 < line.tolerance <= line.outer_tolerance < 1:
            raise Invalid(
                f"Line {number}: the tolerance must be positive and not wider than the outer one.", fields=_at(number)
            )


def check_steps(steps: Sequence[StepSpec]) -> None:
    """Refuse a step without words or with an impossible setting, naming the step."""
    for number, step in enumerate(steps, start=1):
        if not step.instruction.strip():
            raise Invalid(f"Step {number}: say what to do.", fields={"steps": [f"Step {number} has no words."]})
        if any(value < 0 for value in step.targets().values()):
            raise Invalid(
                f"Step {number}: a setting is below nothing.", fields={"steps": [f"Step {number}: below nothing."]}
            )


def check_limits(limits: Sequence[LimitOfTest]) -> None:
    """Refuse limits of unknown tests, of words, without an end, the wrong way round, or twice."""
    for number, limit in enumerate(limits, start=1):
        problem = _wrong_with(limit)
        if not problem and [other.test for other in limits].count(limit.test) > 1:
            problem = "this test has limits already"
        if problem:
            raise Invalid(f"Limit {number}: {problem}.", fields={"tests": [f"Look at limit {number}."]})


def _wrong_with(limit: LimitOfTest) -> str:
    known = TESTS.get(limit.test)
    if known is None or not known.dimension:
        measured = ", ".join(test.key for test in TESTS.values() if test.dimension)
        return f"one of {measured} is expected"
    if limit.lower is None and limit.upper is None:
        return "a lower or an upper limit is expected"
    if limit.lower is not None and limit.upper is not None and limit.lower > limit.upper:
        return "the lower limit lies above the upper one"
    return ""


def percent(value: Decimal) -> str:
    """A percentage without needless zeros."""
    text = f"{value.quantize(Decimal('0.000001')):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _at(number: int) -> dict[str, list[str]]:
    return {"lines": [f"Look at line {number}."]}
