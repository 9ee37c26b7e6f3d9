"""What the analysis knows about rigs: quantities, units, reduction methods."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analysis.errors import BadSetup
from analysis.methods import METHODS
from analysis.quantities import CHANNEL_QUANTITIES, QUANTITIES
from analysis.sensors import SENSORS
from analysis.setup_reading import from_mapping
from analysis.steady.coolant import GLYCOLS, WATER
from lims.core.errors import Invalid
from lims.core.quantities import to_si


def channel_quantities() -> list[tuple[str, str]]:
    """What a column of a rig's files can hold: key and label."""
    return [(key, QUANTITIES[key].label) for key in CHANNEL_QUANTITIES]


def reduction_methods() -> list[str]:
    """The keys of the reduction methods."""
    return [key for key, method in METHODS.items() if method.reduces]


def signals() -> list[tuple[str, str]]:
    """The kinds of sensors whose column holds what the meter measured: key, and the key with what that is."""
    return [(name, f"{name}, {curve.dimension} [{curve.unit}]") for name, curve in SENSORS.items()]


def tolerance_classes(signal: str) -> list[str]:
    """The tolerance classes of a kind of sensor; none where its column holds the quantity itself."""
    return list(SENSORS[signal].tolerances) if signal in SENSORS else []


def is_thermocouple(signal: str) -> bool:
    """Whether a kind of sensor needs a cold junction."""
    return signal.startswith("thermocouple")


def check_signal(signal: str, quantity: str) -> None:
    """Refuse a thermometer that is said to measure something else than a temperature."""
    row = {"column": "it", "quantity": quantity, "sensor": signal}
    try:
        from_mapping({"channel": [row | ({"cold_junction": "its junction"} if is_thermocouple(signal) else {})]})
    except BadSetup as error:
        message = f"A {signal} cannot measure this: {error.message}."
        raise Invalid(message, fields={"signal": [message]}) from error


def coolants() -> list[tuple[str, str]]:
    """What may carry the heat away: key and label."""
    return [(WATER, WATER), *((name, f"water with {name}") for name in GLYCOLS)]


def check_coolant(coolant: str, share_u: float | None) -> None:
    """Refuse a liquid that is not known, or a share outside its table."""
    try:
        from_mapping({"rig": coolant_keys(coolant, share_u)})
    except BadSetup as error:
        raise Invalid(
            f"The coolant is not right: {error.message}.", fields={"coolant": [f"{error.message}."]}
        ) from error


def coolant_keys(coolant: str, share_u: float | None) -> dict[str, str]:
    """The coolant as a setup's table of the rig has it."""
    keys = {"coolant": coolant}
    return keys if share_u is None else keys | {"coolant_share_u": f"{100 * share_u!r} %"}


def check_unit(unit: str, quantity: str, *, signal: str = "") -> None:
    """Refuse a unit that is unknown or of the wrong dimension for a quantity, or for a sensor's signal."""
    to_si(1.0, unit=unit, of=SENSORS[signal].dimension if signal else quantity, field="unit")


def check_channels(rows: Sequence[Mapping[str, object]]) -> None:
    """Refuse channels that no reduction could read: a pair without its other half, two times, a depth of a force."""
    try:
        from_mapping({"channel": list(rows)})
    except BadSetup as error:
        raise Invalid(f"The channels are not right. {error}.", fields={"channels": [f"{error}."]}) from error
