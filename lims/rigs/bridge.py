"""What the analysis knows about rigs: quantities, units, reduction methods."""

from __future__ import annotations

from analysis.methods import METHODS
from analysis.quantities import CHANNEL_QUANTITIES, QUANTITIES
from lims.core.quantities import to_si


def channel_quantities() -> list[tuple[str, str]]:
    """What a column of a rig's files can hold: key and label."""
    return [(key, QUANTITIES[key].label) for key in CHANNEL_QUANTITIES]


def reduction_methods() -> list[str]:
    """The keys of the reduction methods."""
    return list(METHODS)


def check_unit(unit: str, quantity: str) -> None:
    """Refuse a unit that is unknown or of the wrong dimension for a quantity."""
    to_si(1.0, unit=unit, of=quantity, field="unit")
