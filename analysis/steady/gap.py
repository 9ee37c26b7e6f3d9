"""The gap between the faces: reading less zero, less the zero's drift, less what the blocks' warmth adds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from analysis.statistics.uncertainty import Estimate, Source
from analysis.steady.window import Rig, Window
from analysis.steady.zero import Zero, block_temperature


@dataclass(frozen=True, slots=True)
class Reference:
    """Everything a gap is counted from: the zero before and, where it was taken, the zero after; `drift` [m]."""

    zero: Zero
    after: Zero | None = None
    drift: float | None = None


def make_reference(rig: Rig, *, zero: Zero, after: Zero | None) -> Reference:
    """The zero and how far it moved, both brought to the same block temperature."""
    if after is None:
        return Reference(zero)
    moved = after.reading.value - zero.reading.value
    if after.temperature is not None and zero.temperature is not None:
        moved -= rig.setup.gap_expansion.value * (after.temperature.value - zero.temperature.value)
    return Reference(zero, after, moved)


def find_gap(
    rig: Rig, *, window: Window, reference: Reference, start: datetime | None, notes: dict[str, str] | None = None
) -> Estimate:
    """The gap [m] over a window of a run that began at `start`.

    The sensor's calibration is that of a displacement from its zero and counts once.
    Formula: gap = reading - zero - share * drift - expansion * (T_blocks - T_blocks at the zero); the share is the
    time from zero to the window in the time from zero to zero-after, one half where these times are not known.
    """
    gap = window.mean("gap") - reference.zero.reading
    gap = gap - _drifted(reference, window=window, start=start, notes=notes)
    return gap - _expanded(rig, window=window, zero=reference.zero, notes=notes)


def _drifted(reference: Reference, *, window: Window, start: datetime | None, notes: dict[str, str] | None) -> Estimate:
    """The zero's drift up to the window. The drift need not have been even: that is its uncertainty.

    The uncertainty is that of a share known only to lie between 0 and 1 (rectangular, 1 / sqrt(12)) where times are
    not known; with times it shrinks towards both zeros as sqrt(4 share (1 - share)) / 2 of it.
    """
    if reference.after is None or reference.drift is None:
        return Estimate(0.0)
    share = drift_share(reference, window=window, start=start)
    if share is None:
        share, doubt = 0.5, 1.0
        if notes is not None:
            notes["zero drift"] = "half of the drift was taken: the files do not tell when the zeros were taken"
    else:
        doubt = math.sqrt(share * (1.0 - share))
    u = abs(reference.drift) * doubt / math.sqrt(12.0)
    common = f"zero: {reference.zero.sha256}"
    moved = reference.after.reading - reference.zero.reading
    return Estimate(share * reference.drift, {Source("zero drift", u, common=common, shape="rectangular"): 1.0}) + (
        (moved - moved.value) * share
    )


def drift_share(reference: Reference, *, window: Window, start: datetime | None) -> float | None:
    """The time from zero to the window in the time from zero to zero-after; None where a time is not known."""
    before, after = reference.zero.instant, reference.after.instant if reference.after else None
    if before is None or after is None or start is None or after <= before:
        return None
    middle = start + timedelta(seconds=window.middle)
    return min(max((middle - before) / (after - before), 0.0), 1.0)


def _expanded(rig: Rig, *, window: Window, zero: Zero, notes: dict[str, str] | None) -> Estimate:
    """What the warmth of the blocks adds to the reading."""
    if rig.setup.gap_expansion.value == 0.0 and rig.setup.gap_expansion.u == 0.0:
        return Estimate(0.0)
    warm = block_temperature(window)
    if warm is None:
        return Estimate(0.0)
    cool = zero.temperature or assumed_temperature(window, warm, notes)
    return rig.constant("gap_expansion") * (warm - cool)


def assumed_temperature(window: Window, warm: Estimate, notes: dict[str, str] | None = None) -> Estimate:
    """A zero whose temperature nobody wrote down: anywhere from the coolant's to the run's own."""
    low = window.mean("coolant_in") if window.has("coolant_in") else window.mean("cold_temperature")
    width = abs(warm.value - low.value)
    if notes is not None:
        notes["zero temperature"] = (
            "not recorded; taken half-way between that of the cooled side and that of the blocks in the run, "
            f"with a standard uncertainty of {width / math.sqrt(12.0):.2g} K"
        )
    middle = 0.5 * (warm.value + low.value)
    return Estimate.measured(
        middle, Source("zero temperature, not recorded", width / math.sqrt(12.0), shape="rectangular")
    )
