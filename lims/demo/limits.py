"""Limits of the demonstration laboratory: what fillers must hold, written before the first test began."""

from __future__ import annotations

from lims.demo.building import Laboratory
from lims.demo.clock import clock_at
from lims.demo.scenario import FILLERS
from lims.specifications.models import SpecificationVersion
from lims.specifications.services import (
    LimitSpec,
    approve_specification,
    create_specification,
)


def limit_fillers(lab: Laboratory) -> None:
    """A specification for each filler, in force before its first lot came."""
    for name, (low, high, moisture) in FILLERS.items():
        with clock_at(lab.day(0, 13)):
            draft = create_specification(
                actor=lab.people["chemist"],
                name=f"{name}: incoming",
                subject=lab.materials[name],
                limits=(
                    LimitSpec("d50", "um", lower=low, upper=high),
                    LimitSpec("moisture", "%", upper=moisture),
                ),
            )
        _approve(lab, draft, day=0)


def _approve(lab: Laboratory, draft: SpecificationVersion, *, day: int) -> None:
    with clock_at(lab.day(day, 15)):
        approve_specification(draft, actor=lab.people["quality2"], password=lab.passwords["quality2"])
