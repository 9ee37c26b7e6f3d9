"""Run files as the test rig of tests/factories.py would write them, made by the project's own simulator."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from django.utils import timezone

from lims.demo.simulator import Bench, Layer, Plan, Recording, Simulated, simulate

BENCH = Bench(name="bench-2", heaters=1, u_power=0.2)
NAMES = {"heater 1": "power", "coolant in": "coolant"}
COLUMNS = ("hot", "cold", "power", "force", "gap", "coolant")


@dataclass(frozen=True, slots=True)
class Files:
    """A run and its zeros as bytes, and what was simulated."""

    run: bytes
    zero: bytes
    zero_after: bytes | None
    truth: Simulated


def make_files(
    *,
    seed: int = 1,
    begin: datetime | None = None,
    layer: Layer | None = None,
    notes: dict[str, str] | None = None,
    **plan,
) -> Files:
    """A run that began two hours ago unless told otherwise, with a zero half an hour before."""
    begin = begin or (timezone.now() - timedelta(hours=2)).replace(microsecond=0)
    made = simulate(BENCH, layer, replace(Plan(interval=2.0), begin=begin, **plan), seed=seed)
    after = as_csv(made.zero_after) if made.zero_after else None
    return Files(as_csv(made.run, notes=notes), as_csv(made.zero), after, made)


def as_csv(recording: Recording, *, notes: dict[str, str] | None = None) -> bytes:
    """A recording as the rig's program writes it: notes, header with units, time stamps with offset."""
    columns = {NAMES.get(name, name): values for name, values in recording.columns.items()}
    units = {NAMES.get(name, name): unit for name, unit in recording.units.items()}
    out = io.StringIO()
    for key, value in (notes or {}).items():
        out.write(f"# {key}: {value}\n")
    out.write(",".join(["time", *(f"{name} [{units[name]}]" for name in COLUMNS)]) + "\n")
    for row, second in enumerate(recording.time):
        stamp = (recording.begin + timedelta(seconds=float(second))).isoformat(timespec="milliseconds")
        out.write(",".join([stamp, *(f"{columns[name][row]:.5f}" for name in COLUMNS)]) + "\n")
    return out.getvalue().encode()
