"""What to do about each flag, in the words of the bench."""

from __future__ import annotations

ADVICE: dict[str, str] = {
    "not_settled": "Let the run go on until the temperature rise keeps still, or choose a window with a reason.",
    "zero_missing": "Take a zero with closed, clean blocks and send it; the run is then reduced again by itself.",
    "zero_stale": "Take a zero nearer to the run. The next run of the day needs one as well.",
    "zero_drift": "Look at the gap sensor and its mount, take a new zero, and repeat the run.",
    "gap_below_resolution": "The layer is too thin for the sensor. The impedance holds; no conductivity follows.",
    "gap_moving": "The layer was still being pressed out. Wait longer under force before heating.",
    "heat_imbalance": "Check the coolant flow, the heater wiring and the insulation; one of the two heats is wrong.",
    "power_off_nominal": "Set the heater power that the method asks for and repeat the run.",
    "force_off_nominal": "Set the force that the method asks for and repeat the run.",
    "coolant_off_nominal": "Let the coolant reach the temperature that the method asks for and repeat the run.",
    "coolant_unsteady": "Give the coolant bath time to settle, or look for what disturbs it.",
    "heater_channel_dead": "One heater gave no power: check its fuse and wiring, then repeat the run.",
    "sensor_stuck": "One channel repeated a single value: check the sensor and its wiring, then repeat the run.",
    "samples_missing": "Readings are missing: check the logger and its cables.",
    "clock_irregular": "The logger's clock jumped or rows came twice: check its time settings.",
    "hold_time_exceeded": "Test a fresh sample, or say beside the figure why the time does not matter.",
    "storage_excursion": "Test a sample that was stored as it should be, or say why the time outside does not matter.",
    "implausible_conductivity": "No material of this kind conducts so: check the gap, its zero and the mass applied.",
}


def advice(code: str) -> str:
    """What to do about a flag; "" for one without advice."""
    return ADVICE.get(code, "")
