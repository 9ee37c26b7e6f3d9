"""How fast and in how much memory runs are read and reduced. Every limit is a ratio within one run, or a size.

make bench
"""

import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from analysis import batch
from tests.analysis.bench import SETUP, write_run, write_setup

pytestmark = pytest.mark.bench

ROOT = Path(__file__).resolve().parents[2]
HEATERS = 6
MEASURE = """
import resource, sys
import analysis
reduction = analysis.reduce(sys.argv[1], setup=sys.argv[2])
assert reduction.figures, [flag.message for flag in reduction.flags]
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""


def wide_setup():
    """The small rig's setup with six heaters, coolant and room: 14 of a file's 16 columns are used."""
    heaters = "".join(
        f'[[channel]]\ncolumn = "heater {n}"\nquantity = "heater_power"\nu = 0.05\n' for n in range(1, HEATERS + 1)
    )
    others = "".join(
        f'[[channel]]\ncolumn = "{column}"\nquantity = "{quantity}"\nu = 0.02\n'
        for column, quantity in (
            ("coolant in", "coolant_in"),
            ("coolant out", "coolant_out"),
            ("flow", "coolant_flow"),
            ("room", "ambient_temperature"),
        )
    )
    one = '[[channel]]\ncolumn = "power"\nquantity = "heater_power"\nu = 0.05\n'
    assert one in SETUP
    return SETUP.replace(one, heaters) + others


def wide_file(path, *, rows):
    """A run of `rows` rows by 16 columns over about eleven days, written in parts."""
    import polars as pl

    rng = np.random.default_rng(1)
    names = ["hot [degC]", "cold [degC]", *(f"heater {n} [W]" for n in range(1, HEATERS + 1)), "coolant in [degC]"]
    names += ["coolant out [degC]", "flow [L/min]", "room [degC]", "gap [um]", "force [N]", "spare [V]"]
    part = 500_000
    with path.open("wb") as stream:
        for start in range(0, rows, part):
            time_ = np.arange(start, min(start + part, rows)) * (1e6 / rows)
            heated = np.where(time_ < 5e4, 0.0, 1.0 - np.exp(-np.maximum(time_ - 5e4, 0.0) / 300.0))
            levels = [30.0 + 1.8 * heated, 30.0, *[np.where(time_ < 5e4, 0.0, 25.0)] * HEATERS]
            levels += [25.0, 26.08, 2.0, 23.0, 48.0, 250.0, 0.0]
            table = {"time [s]": np.round(time_, 3)}
            table |= {
                name: np.round(level + rng.normal(0.0, 0.02, time_.size), 4)
                for name, level in zip(names, levels, strict=True)
            }
            pl.DataFrame(table).write_csv(stream, include_header=start == 0)
    return path


@pytest.fixture(scope="module")
def million(tmp_path_factory):
    return wide_file(tmp_path_factory.mktemp("wide") / "million.csv", rows=1_000_000)


@pytest.fixture(scope="module")
def setup(tmp_path_factory):
    return write_setup(tmp_path_factory.mktemp("setup"), text=wide_setup())


def best(work, *, times=5):
    """The least wall time and the least processor time of several tries."""
    wall, processor = [], []
    for _ in range(times):
        start = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    return min(wall), min(processor)


def test_reducing_a_million_rows_takes_at_most_twice_the_plain_reading(million, setup):
    import polars as pl

    import analysis

    plain = best(lambda: pl.read_csv(million))
    reduced = best(lambda: analysis.reduce(million, setup=setup))
    ratios = [ours / theirs for ours, theirs in zip(reduced, plain, strict=True)]
    print(f"\nreduce / read_csv of 1,000,000 x 16: wall {ratios[0]:.2f}, processor {ratios[1]:.2f}")
    assert min(ratios) <= 2.0


def peak_memory(path, setup):
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, path, setup], cwd=ROOT, capture_output=True, text=True, timeout=900, check=False
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout) / 2**30


def test_a_million_rows_are_reduced_within_one_and_a_half_gibibytes(million, setup):
    peak = peak_memory(million, setup)
    print(f"\npeak memory of 1,000,000 x 16: {peak:.2f} GiB")
    assert peak <= 1.5


def test_ten_million_rows_are_reduced_within_two_gibibytes(tmp_path, setup):
    path = wide_file(tmp_path / "ten.csv", rows=10_000_000)
    peak = peak_memory(path, setup)
    path.unlink()
    print(f"\npeak memory of 10,000,000 x 16: {peak:.2f} GiB")
    assert peak <= 2.0


def manifest(folder, *, rows):
    for number in range(8):
        write_run(folder, f"run{number}.csv", rows=1900, seed=number)
    write_setup(folder)
    lines = ["run,setup", *(f"run{number % 8}.csv,bench-2.toml" for number in range(rows))]
    path = folder / "manifest.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def seconds_of(path, *, workers):
    """Wall time between the first and the last result: the start of the workers is left out."""
    moments = []
    codes = batch.run(
        path, out=path.with_suffix(".jsonl"), workers=workers, progress=lambda *_: moments.append(time.perf_counter())
    )
    assert set(codes) == {0}
    return moments[-1] - moments[0]


def test_a_batch_reduces_fifty_runs_of_1900_rows_a_second_on_one_core(tmp_path):
    path = manifest(tmp_path, rows=200)
    batch.run(path, out=tmp_path / "warm.jsonl")
    start = time.process_time()
    batch.run(path, out=tmp_path / "out.jsonl")
    rate = 200 / (time.process_time() - start)
    print(f"\nbatch: {rate:.0f} runs of 1900 rows a second and core")
    assert rate >= 50.0


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one processor")
def test_two_workers_do_at_least_one_and_seven_tenths_of_the_work_of_one(tmp_path):
    path = manifest(tmp_path, rows=1500)
    gains = []
    for _ in range(3):
        one, two = seconds_of(path, workers=1), seconds_of(path, workers=2)
        gains.append(one / two)
        if gains[-1] >= 1.7:
            break
    print(f"\ntwo workers: {', '.join(f'{gain:.2f}' for gain in gains)} times one")
    assert max(gains) >= 1.7


def test_measuring_counts_memory_in_kibibytes():
    """What `ru_maxrss` means on this system is relied on above (Linux: getrusage(2))."""
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 > 2**24
