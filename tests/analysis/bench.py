"""A small run of an electrical rig for tests of files and commands, with its setup; plain numbers, little noise.

The layer is given: rise = power * impedance / area, so that what is reduced can be told beforehand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

SETUP = """
[rig]
name = "bench-2"
area = "1000 mm^2"

[gap]
resolution = "0.1 um"
zero_reading = "6.0 um"

[nominal]
heater_power = "150 W"
force = "250 N"

[tolerance]
heater_power = "1 %"
force = "2 %"

[run]
sample = "S-0311"
application = "A-0525"

[[channel]]
column = "hot"
quantity = "hot_temperature"
u = 0.03

[[channel]]
column = "cold"
quantity = "cold_temperature"
u = 0.03

[[channel]]
column = "power"
quantity = "heater_power"
u = 0.05

[[channel]]
column = "gap"
quantity = "gap"
u = 0.3

[[channel]]
column = "force"
quantity = "force"
u = 1.0
"""

IMPEDANCE = 12e-6  # m2 K/W, of the layer
GAP = 42e-6  # m
POWER = 150.0  # W
AREA = 1000e-6  # m2


def columns(rows: int = 1900, *, seed: int = 1, power: float = POWER) -> dict[str, np.ndarray]:
    """A run's columns headed as in a file: heating from 60 s on, settled long before the end."""
    rng = np.random.default_rng(seed)
    time = np.arange(rows, dtype=float)
    heated = np.where(time < 60.0, 0.0, 1.0 - np.exp(-(time - 60.0) / 60.0))
    rise = power * IMPEDANCE / AREA * heated
    return {
        "time [s]": time,
        "hot [degC]": 30.0 + rise + rng.normal(0.0, 0.005, rows),
        "cold [degC]": 30.0 + rng.normal(0.0, 0.005, rows),
        "power [W]": np.where(time < 60.0, 0.0, power) + rng.normal(0.0, 0.02, rows),
        "gap [um]": 6.0 + 42.0 + rng.normal(0.0, 0.08, rows),
        "force [N]": 250.0 + rng.normal(0.0, 0.2, rows),
    }


def csv_text(table: dict[str, np.ndarray]) -> str:
    rows = np.column_stack(list(table.values()))
    return ",".join(table) + "\n" + "".join(",".join(f"{value:.6g}" for value in row) + "\n" for row in rows)


def write_run(folder: Path, name: str = "run.csv", **options: float) -> Path:
    path = folder / name
    path.write_text(csv_text(columns(**options)), encoding="utf-8")
    return path


def write_setup(folder: Path, name: str = "bench-2.toml", text: str = SETUP) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path
