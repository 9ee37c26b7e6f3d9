"""What the analysis knows about rigs: quantities, units, reduction methods."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analysis.errors import BadSetup
from analysis.methods import METHODS
from analysis.quantities import CHANNEL_QUANTITIES, QUANTITIES
from analysis.setup_reading import from_mapping
from lims.core.errors import Invalid
from lims.core.quantities import to_si


def channel_quantities() -> list[tuple[str, str]]:
    """What a column of a rig's files can hold: key and label."""
    return [(key, QUANTITIES[key].label) for key in CHANNEL_QUANTITIES]


def reduction_methods() -> list[str]:
    """The keys of the reduction methods."""
    return [key for key, method in METHODS.items() if method.reduces]


def check_unit(unit: str, quantity: str) -> None:
    """Refuse a unit that is unknown or of the wrong dimension for a quantity."""
    to_si(1.0, unit=unit, of=quantity, field="unit")


def check_channels(rows: Sequence[Mapping[str, object]]) -> None:
    """Refuse channels that no reduction could read: a pair without its other half, two times, a depth of a force."""
    try:
        from_mapping({"channel": list(rows)})
    except BadSetup as error:
        raise Invalid(f"The channels are not right. {error}.", fields={"channels": [f"{error}."]}) from error
