"""Too much of one line: new targets for the rest, so that the proportions of the recipe hold. Masses in kg."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.quantities import MICROGRAM, to_microgram
from lims.formulations.models import Batch, Rescaling, Weighing
from lims.formulations.selectors import Sheet, sheet_of


@dataclass(frozen=True, slots=True)
class NewTarget:
    """One line before and after: what it was to be, what it becomes, what stands weighed, what is left to add."""

    position: int
    name: str
    old: Decimal
    new: Decimal
    weighed: Decimal

    @property
    def left(self) -> Decimal:
        """What is still to be added; never below nought."""
        return max(self.new - self.weighed, Decimal(0))


@dataclass(frozen=True, slots=True)
class Correction:
    """The new targets of a batch and its new mass."""

    lines: tuple[NewTarget, ...]
    old_mass: Decimal
    new_mass: Decimal


def rescaled(
    shares: Mapping[int, Decimal], *, weighed: Mapping[int, Decimal], resolution: Decimal = MICROGRAM
) -> dict[int, Decimal]:
    """Targets in the proportions of `shares`, the smallest that no line has passed already.

    total = max(weighed_i / share_i) over the weighed lines; target_i = share_i total, rounded to `resolution`.
    Nothing can be taken out of the vessel, so the line furthest ahead rules and the total only grows.
    """
    total = max(weighed.get(key, Decimal(0)) / share for key, share in shares.items())
    targets = {key: rounded_to(share * total, resolution) for key, share in shares.items()}
    return {key: max(target, weighed.get(key, Decimal(0))) for key, target in targets.items()}


def rounded_to(mass: Decimal, resolution: Decimal) -> Decimal:
    """A mass as a balance of this resolution can show it; never nothing of something."""
    steps = (mass / resolution).quantize(Decimal(1), rounding=ROUND_HALF_EVEN)
    return to_microgram(max(steps, Decimal(1)) * resolution) if mass > 0 else Decimal(0)


def correction_for(sheet: Sheet, *, position: int, net: Decimal) -> Correction | None:
    """What the rest becomes when `net` more is weighed into a line; None where it does not pass its target."""
    lines = [line for line in sheet.lines if not line.row.skipped_reason]
    weighed = {line.row.position: line.total for line in lines}
    weighed[position] = weighed.get(position, Decimal(0)) + net
    line = next((row for row in lines if row.row.position == position), None)
    if line is None or weighed[position] <= line.high:
        return None
    old = {row.row.position: row.row.target for row in lines}
    mass = sum(old.values(), Decimal(0))
    new = rescaled({key: target / mass for key, target in old.items()}, weighed=weighed)
    # a line within its tolerance of the new target needs no more
    rows = tuple(
        NewTarget(key, row.row.material.name, old[key], new[key], weighed[key])
        for row in lines
        for key in [row.row.position]
    )
    return Correction(rows, mass, sum(new.values(), Decimal(0)))


def accept_correction(batch: Batch, correction: Correction, *, weighing: Weighing, by: User, reason: str) -> Rescaling:
    """Give the lines their new targets, tolerances in proportion; what they were stays in a record of its own."""
    rows = {line.row.position: line.row for line in sheet_of(batch).lines}
    for new in correction.lines:
        row, factor = rows[new.position], new.new / new.old
        row.target = new.new
        row.tolerance = to_microgram(row.tolerance * factor)
        row.outer_tolerance = to_microgram(row.outer_tolerance * factor)
        row.save()
    kept = Rescaling(
        batch=batch,
        by=by,
        weighing=weighing,
        old_mass=correction.old_mass,
        new_mass=correction.new_mass,
        targets=_told(correction),
        reason=reason,
    )
    kept.full_clean()
    kept.save()
    note_change(kept, {"targets": (None, f"{len(correction.lines)} lines")})
    return kept


def _told(correction: Correction) -> list[dict[str, Any]]:
    return [{"position": row.position, "old": f"{row.old:f}", "new": f"{row.new:f}"} for row in correction.lines]
