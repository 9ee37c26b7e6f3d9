"""The example scripts run as they stand and say what they promise."""

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_reduce_and_compare_runs_and_ranks_the_better_paste_first():
    done = subprocess.run(
        [sys.executable, "examples/reduce_and_compare.py"],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert re.search(r"Thermal impedance: \d+\.\d+ ± \d+\.\d+ mm²·K/W \(k = \d\.\d\d\)", done.stdout)
    assert "which is what the result states." in done.stdout
    assert "Change of thermal impedance" in done.stdout
    assert "characters of SVG" in done.stdout
    assert "before any contact" in done.stdout
    series = done.stdout[done.stdout.index("thickness series of 4 results") :]
    value, half = map(float, re.search(r"Conductivity +\(([\d.]+) ± ([\d.]+)\)", series).groups())
    assert abs(value - 3.2) <= 2.0 * half  # what the script put in
    ranking = done.stdout[done.stdout.index("Ranking") :]
    assert ranking.index("grey") < ranking.index("white")
