"""Ageing series: each specimen against its own start."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

import analysis
from analysis.__main__ import main
from analysis.methods.ageing import reduce_ageing
from analysis.results import Flag, Measured, Reduction, Settled, Severity

BEGIN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def result(specimen, days, impedance, *, rig="north", **more):
    run = {"file": f"{specimen}-{days}.csv", "application": specimen}
    if days is not None:
        run["start"] = (BEGIN + timedelta(days=days)).isoformat()
    figures = {"thermal_impedance": Measured(impedance * 1e-6, 0.05e-6, 60.0)}
    return Reduction("steady", "1", run, Settled(True), figures, setup={"rig": {"name": rig}}, **more)


def study(*, change, scatter, specimens=6, noise=0.002, seed=1, ages=(0, 28, 56, 84)):
    rng = np.random.default_rng(seed)
    results = []
    for n in range(specimens):
        start = 15.0 * (1.0 + scatter * rng.normal())
        for days in ages:
            value = start * (1.0 + change * days / ages[-1]) * (1.0 + noise * rng.normal())
            results.append(result(f"A-{n + 1:04d}", days, value))
    return results


def codes(outcome):
    return [flag.code for flag in outcome.flags]


def test_pairing_finds_what_the_scatter_of_specimens_hides():
    """Requirement STB-03: specimens that scatter by 8 %, a drift of -3 %: paired it is found, unpaired it is not."""
    outcome = reduce_ageing(study(change=-0.03, scatter=0.08))
    paired = outcome.figures["relative_change"]
    assert paired.value == pytest.approx(-0.03, abs=0.004)
    assert abs(paired.value) > paired.expanded
    unpaired = outcome.parts["unpaired"]["relative_change"]
    assert abs(unpaired["value"]) < unpaired["U95"]


def test_the_interval_is_that_of_a_paired_t_test():
    """scipy.stats.ttest_1samp on the relative changes as reference."""
    results = study(change=0.05, scatter=0.05, ages=(0, 84))
    outcome = reduce_ageing(results)
    values = np.array([r.figures["thermal_impedance"].value for r in results]).reshape(-1, 2)
    reference = stats.ttest_1samp(values[:, 1] / values[:, 0] - 1.0, 0.0).confidence_interval(0.95)
    found = outcome.figures["relative_change"]
    assert (found.value - found.expanded, found.value + found.expanded) == pytest.approx(tuple(reference))


def test_the_rate_is_the_change_in_1000_hours():
    outcome = reduce_ageing(study(change=0.06, scatter=0.05, noise=0.0))
    assert outcome.figures["change_per_1000_h"].value == pytest.approx(0.06 * 1000.0 / (84 * 24), rel=1e-6)


def test_one_specimen_or_one_time_tells_no_change():
    one = reduce_ageing([result("A-0001", 0, 15.0), result("A-0001", 28, 15.5), result("A-0002", 0, 15.0)])
    assert (codes(one), dict(one.figures)) == (["too_few_specimens"], {})
    assert "no second result" in one.flags[0].message


def test_what_cannot_be_used_is_left_out_with_its_reason():
    results = study(change=0.05, scatter=0.05)
    stale = Flag("not_settled", Severity.BLOCKS, "never settled")
    results.append(replace(result("A-0001", 90, 99.0), flags=(stale,)))
    results.append(result("A-0002", None, 15.0))
    outcome = reduce_ageing(results)
    reasons = [one["reason"] for one in outcome.parts["left_out"]]
    assert reasons == ["not_settled: never settled", "it does not tell when it was taken"]
    assert outcome.figures["relative_change"].value == pytest.approx(0.05, abs=0.01)


def test_a_change_of_rig_and_unlike_ages_are_said():
    results = study(change=0.05, scatter=0.05)
    results[3] = replace(results[3], setup={"rig": {"name": "south"}})
    del results[7]
    outcome = reduce_ageing(results)
    assert codes(outcome) == ["rig_changed", "ages_differ"]
    assert "relative_change" not in outcome.figures
    assert "change_per_1000_h" in outcome.figures


def test_the_command_agrees_with_the_function(tmp_path, capsys):
    paths = []
    for number, reduction in enumerate(study(change=0.05, scatter=0.05)):
        path = tmp_path / f"{number}.json"
        path.write_text(json.dumps(reduction.to_dict()), encoding="utf-8")
        paths.append(str(path))
    assert main(["ageing", *paths, "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["figures"]["relative_change"]["unit"] == "%"
    assert json.loads(json.dumps(analysis.ageing(paths).to_dict())) == printed
    assert main(["ageing", paths[0]]) == 3
