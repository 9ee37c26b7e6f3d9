"""A worker that was forked from a process that imported everything, or even used polars, still reduces.

polars' locks do not survive a fork: a child that used it after its parent had would wait for ever.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.analysis.bench import write_run, write_setup

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = """
import multiprocessing, sys, warnings
import analysis, analysis.__main__, analysis.batch
warnings.simplefilter("ignore")  # that forking a process with threads is unwise is what is tried here

def work(run, setup):
    return analysis.reduce(run, setup=setup).figures["thermal_impedance"].value

if __name__ == "__main__":
    before = [work(*sys.argv[1:3])] if sys.argv[3] == "used" else []
    with multiprocessing.get_context("fork").Pool(2) as pool:
        after = pool.starmap(work, [tuple(sys.argv[1:3])] * 4)
    assert len(set(before + after)) == 1, (before, after)
    print("done")
"""


@pytest.mark.parametrize("parent", ["imported", "used"])
def test_a_forked_worker_reduces(tmp_path, parent):
    run, setup = write_run(tmp_path), write_setup(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, run, setup, parent],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "done\n"), done.stderr
