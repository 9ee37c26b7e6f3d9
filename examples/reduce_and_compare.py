"""Reduce runs of two pastes: figures, working, budget, a difference, a thickness series, a claim, and a ranking.

The rig and its files are invented here, so that the script runs anywhere: `python examples/reduce_and_compare.py`.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

import analysis
from analysis import comparing, working

SETUP = {
    "rig": {"name": "example rig", "area": "900 mm^2"},
    "gap": {"resolution": "0.1 um", "zero_reading": "6.0 um"},
    "nominal": {"heater_power": "120 W", "force": "200 N"},
    "tolerance": {"heater_power": "1 %", "force": "2 %"},
    "channel": [
        {"column": "hot", "quantity": "hot_temperature", "u": 0.03},
        {"column": "cold", "quantity": "cold_temperature", "u": 0.03},
        {"column": "power", "quantity": "heater_power", "u": 0.1},
        {"column": "gap", "quantity": "gap", "u": 0.3},
        {"column": "force", "quantity": "force", "u": 1.0},
    ],
}
PASTES = {"grey": 14.0, "white": 20.0}  # impedance in mm^2*K/W
APPLICATIONS = 4
GAPS, CONDUCTIVITY, CONTACTS = (50.0, 100.0, 200.0, 400.0), 3.2, 6.0  # um, W/(m*K), mm^2*K/W: a thickness series


def write_run(path: Path, *, impedance: float, rng: np.random.Generator, gap: float = 0.0) -> None:
    """A run as a rig's logger would write it: ten minutes at 120 W, one row a second; `gap` in um."""
    t = np.arange(600)
    rise = 120.0 * impedance / 900.0
    columns = {
        "time [s]": t,
        "hot [degC]": 50.0 + rise + 0.02 * rng.normal(size=t.size),
        "cold [degC]": 50.0 + 0.02 * rng.normal(size=t.size),
        "power [W]": 120.0 + 0.02 * rng.normal(size=t.size),
        "gap [um]": 6.0 + (gap or 3.0 * impedance) + 0.05 * rng.normal(size=t.size),
        "force [N]": 200.0 + 0.2 * rng.normal(size=t.size),
    }
    rows = zip(*columns.values(), strict=True)
    lines = [",".join(columns), *(",".join(f"{value:.6g}" for value in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n")


def main() -> None:
    rng = np.random.default_rng(1)
    results, layers = [], []
    with tempfile.TemporaryDirectory() as folder:
        for paste, impedance in PASTES.items():
            for number in range(APPLICATIONS):
                file = Path(folder) / f"{paste}-{number}.csv"
                write_run(file, impedance=impedance * (1.0 + 0.02 * rng.normal()), rng=rng)
                told = {"sample": paste, "application": f"{paste} {number + 1}"}
                results.append(analysis.reduce(file, setup={**SETUP, "run": told}))
        for gap in GAPS:
            file = Path(folder) / f"gap-{gap:g}.csv"
            write_run(file, impedance=CONTACTS + gap / CONDUCTIVITY, rng=rng, gap=gap)
            layers.append(analysis.reduce(file, setup=SETUP))

    first = results[0]
    print(first)  # every figure, every flag
    print()
    print(repr(first.figure("thermal_impedance")))
    print(first.to_frame())
    print(working.to_text(working.working_of(first, "thermal_impedance")))

    print(f"budget drawn as {len(first.plot('thermal_impedance').svg)} characters of SVG")
    print(analysis.difference(results[-1], results[0], monte_carlo=7))
    print(analysis.series(layers, monte_carlo=7))
    claim = analysis.Claim(conductivity=9.0, gap=20e-6, impedance=1e-6, kind="paste")  # SI units
    print(analysis.assess(claim).sentence)

    print("Ranking")
    ranking = comparing.command([result.to_dict() for result in results], figure="thermal_impedance")
    print(comparing.to_text(ranking))


if __name__ == "__main__":
    main()
