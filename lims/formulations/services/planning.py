"""Stock for a planned batch: the oldest good lots first, kept from the plan until the weights are locked."""

from __future__ import annotations

from decimal import Decimal

from lims.accounts.models import User
from lims.formulations.models import Batch
from lims.materials.selectors import lots_to_weigh, reserved_for
from lims.materials.services.reserving import release_reservation, reserve_stock


def keep_stock(batch: Batch, *, by: User) -> None:
    """Reserve what each line needs from the usable lots, first to expire first; what is short is shown, not refused."""
    for line in batch.lines.select_related("material").order_by("position"):
        needed = line.target
        for lot in lots_to_weigh(line.material).usable:
            share = min(needed, Decimal(getattr(lot, "free", 0)))
            if share > 0:
                reserve_stock(lot, mass=share, cause=batch.code, by=by)
                needed -= share
            if not needed:
                break


def give_back(batch: Batch, *, by: User, reason: str) -> None:
    """Give back what is still kept for a batch."""
    for lot, _ in reserved_for(batch.code):
        release_reservation(lot, cause=batch.code, by=by, reason=reason)
