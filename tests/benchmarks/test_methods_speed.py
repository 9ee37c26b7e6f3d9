"""Every method against the bare reading of its file, side by side in one run: at most 2.5 times as long.

make bench
"""

import json
from dataclasses import replace

import polars as pl
import pytest

import analysis
from lims.demo.simulator import Bench, Layer, Plan, as_toml, simulate
from lims.demo.simulator.ageing import AgeingLayer, simulate_cycles
from lims.demo.simulator.run_files import as_csv
from tests.analysis.campaign import Paste
from tests.benchmarks.test_reading import best

pytestmark = pytest.mark.bench

ROWS = 1_000_000
MOST = 2.5


def recorded(folder, made):
    """A simulated run repeated row by row up to a million rows between its own instants, its zero and its setup."""
    folder.mkdir()
    (folder / "short.csv").write_bytes(as_csv(made.run))
    table = pl.read_csv(folder / "short.csv", comment_prefix="#")
    times = max(1, ROWS // table.height)
    step = float(table[1, 0] - table[0, 0]) / times
    long = table.select(pl.all().repeat_by(times).explode())
    later = pl.int_range(pl.len()) % times * step
    long = long.with_columns((pl.col(table.columns[0]) + later).round(6))
    long.write_csv(folder / "run.csv")
    (folder / "zero.csv").write_bytes(as_csv(made.zero))
    (folder / "rig.toml").write_text(as_toml(made.setup), encoding="utf-8")
    return folder / "run.csv", {"setup": folder / "rig.toml", "zero": folder / "zero.csv"}


def made_for(method):
    if method == "cycles":
        layer = AgeingLayer(gap_open=90e-6, pressing_time=2.0, begin=120.0, cycles=1500, growth=0.3)
        return simulate_cycles(layer=layer, seed=1)
    if method == "thinning":
        layer = Layer(gap_open=150e-6, gap_end=40e-6, pressing_time=200.0, exponent=1.0)
        return simulate(Bench(), layer, seed=1)
    if method == "press":
        return simulate(Bench(), Paste(viscosity=3000.0), Plan(steps=((5000.0, 150.0),)), seed=1)
    return simulate(Bench(), seed=1)


@pytest.mark.parametrize("method", ["reduce", "cycles", "thinning", "press"])
def test_a_million_rows_take_at_most_two_and_a_half_times_their_bare_reading(tmp_path, method):
    path, named = recorded(tmp_path / method, made_for(method))
    call = getattr(analysis, method)
    assert call(path, **named).figures
    plain = best(lambda: pl.read_csv(path), times=3)
    ours = best(lambda: call(path, **named), times=3)
    ratios = [one / other for one, other in zip(ours, plain, strict=True)]
    print(f"\n{method} / read_csv of {ROWS:,} rows: wall {ratios[0]:.2f}, processor {ratios[1]:.2f}")
    assert min(ratios) <= MOST


def test_a_series_and_an_ageing_study_are_told_beside_the_reading_of_their_results(tmp_path):
    """Of files this small the reading is next to nothing: told for the record, in thousandths of a second a result."""
    made = simulate(Bench(), seed=1)
    (tmp_path / "run.csv").write_bytes(as_csv(made.run))
    (tmp_path / "rig.toml").write_text(as_toml(made.setup), encoding="utf-8")
    (tmp_path / "zero.csv").write_bytes(as_csv(made.zero))
    result = analysis.reduce(tmp_path / "run.csv", setup=tmp_path / "rig.toml", zero=tmp_path / "zero.csv")
    paths = []
    for number in range(200):
        gap = result.figures["gap"]
        figures = dict(result.figures) | {"gap": replace(gap, value=gap.value + 1e-6 * number)}
        paths.append(tmp_path / f"{number}.json")
        paths[-1].write_text(json.dumps(replace(result, figures=figures).to_dict()), encoding="utf-8")
    plain = best(lambda: [json.loads(path.read_text(encoding="utf-8")) for path in paths], times=3)
    ours = best(lambda: analysis.series(paths), times=3)
    print(f"\nseries of 200 results / json.loads of them: wall {ours[0] / plain[0]:.2f}")
    assert len(analysis.series(paths).parts["results"]) == 200
