"""Thickness series: the line through uncertain points, what it says, and when it says nothing."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import analysis
from analysis.__main__ import main
from analysis.methods.series import reduce_series
from analysis.results import BudgetLine, Flag, Measured, Reduction, Settled, Severity
from analysis.statistics.errors_in_both import fit_both

# Data of K. Pearson, Philos. Mag. 2 (1901) 559, with the weights of D. York, Can. J. Phys. 44 (1966) 1079.
PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_U_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
YORK_U_Y = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5


def um(value):
    return value * 1e-6


def result(gap, impedance, *, u_gap=1e-9, u_impedance=1e-9, pressure=250e3, shared=(), **more):
    """A reduction with gap [um], impedance [mm2 K/W]; `shared` as (name, on gap, on impedance) in the same units."""
    own = (BudgetLine("scatter of the readings", um(u_gap), 1.0, "A", 60.0),)
    gap_lines = tuple(BudgetLine(name, um(abs(g)), 0.0, "B", math.inf, g, name) for name, g, _ in shared if g)
    imp_lines = tuple(BudgetLine(name, um(abs(r)), 0.0, "B", math.inf, r, name) for name, _, r in shared if r)
    u_g = math.sqrt(u_gap**2 + sum(g**2 for _, g, _ in shared))
    u_r = math.sqrt(u_impedance**2 + sum(r**2 for _, _, r in shared))
    figures = {
        "gap": Measured(um(gap), um(u_g), 100.0),
        "thermal_impedance": Measured(um(impedance), um(u_r), 100.0),
    }
    if pressure is not None:
        figures["pressure"] = Measured(pressure, 500.0)
    own_r = (BudgetLine("scatter of the readings", um(u_impedance), 1.0, "A", 60.0),)
    budget = {"gap": own + gap_lines, "thermal_impedance": own_r + imp_lines}
    return Reduction("steady", "1", {"file": f"gap-{gap:.0f}.csv"}, Settled(True), figures, budget, **more)


def codes(outcome):
    return [flag.code for flag in outcome.flags]


# --- against published values and other libraries ----------------------------------------


def test_the_line_is_that_of_pearsons_data_with_yorks_weights():
    """Intercept 5.47991022, slope -0.480533407 (Neri et al., J. Phys. E 22 (1989) 215); S/(n-2)
    1.4833, u 0.29497 and 0.057985 (York et al. 2004, table II, from its Monte Carlo column and differences)."""
    fit = fit_both(PEARSON_X, y=PEARSON_Y, u_x=YORK_U_X, u_y=YORK_U_Y)
    assert fit.intercept == pytest.approx(5.47991022, abs=5e-9)
    assert fit.slope == pytest.approx(-0.480533407, abs=5e-10)
    assert fit.chi2 / fit.dof == pytest.approx(1.4833, abs=5e-5)
    assert fit.u_intercept == pytest.approx(0.29497, abs=5e-6)
    assert fit.u_slope == pytest.approx(0.057985, abs=5e-7)


def test_the_derivatives_carry_uncertainty_as_published_for_the_same_data():
    """u 0.29193 and 0.057617 by propagation of the points' uncertainties: A. H. Kalantar, Meas. Sci. Technol. 3 (1992)
    1113; covariance -0.0162 there."""
    fit = fit_both(PEARSON_X, y=PEARSON_Y, u_x=YORK_U_X, u_y=YORK_U_Y)
    by = np.vstack((fit.by_x * YORK_U_X[:, None], fit.by_y * YORK_U_Y[:, None]))
    covariance = by.T @ by
    assert math.sqrt(covariance[0, 0]) == pytest.approx(0.29193, abs=1e-5)
    assert math.sqrt(covariance[1, 1]) == pytest.approx(0.057617, abs=1e-6)
    assert covariance[0, 1] == pytest.approx(-0.0162, abs=5e-5)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("seed", range(5))
def test_the_line_is_that_of_orthogonal_distance_regression(seed):
    """scipy.odr (ODRPACK) as reference."""
    odr = pytest.importorskip("scipy.odr")
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(20.0, 400.0, 8))
    u_x, u_y = rng.uniform(0.5, 6.0, 8), rng.uniform(0.2, 3.0, 8)
    y = 5.0 + x / 3.0 + rng.normal(0.0, u_y)
    seen = x + rng.normal(0.0, u_x)
    fit = fit_both(seen, y=y, u_x=u_x, u_y=u_y)
    model = odr.Model(lambda beta, at: beta[0] + beta[1] * at)
    reference = odr.ODR(odr.RealData(seen, y, sx=u_x, sy=u_y), model, beta0=[4.0, 0.4], sstol=1e-14, partol=1e-14).run()
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(reference.beta), rel=1e-6, abs=1e-5)


def test_exact_gaps_give_ordinary_least_squares():
    """scipy.stats.linregress as reference; the data are a worked case."""
    gap = [50.0, 100.0, 200.0, 300.0, 500.0]
    impedance = [21.925, 36.85, 68.70, 100.25, 161.65]
    fit = fit_both(gap, y=impedance, u_x=0.0, u_y=1.0)
    reference = stats.linregress(gap, impedance)
    assert (fit.slope, fit.intercept) == pytest.approx((reference.slope, reference.intercept), rel=1e-12)
    scatter = math.sqrt(fit.chi2 / fit.dof)
    assert fit.u_slope * scatter == pytest.approx(reference.stderr, rel=1e-9)
    assert fit.u_intercept * scatter == pytest.approx(reference.intercept_stderr, rel=1e-9)


def test_a_straight_layer_is_found_exactly():
    """Worked case: k 3.2 W/(m K), contacts 6.0 mm2 K/W, by arithmetic."""
    points = {50: 21.625, 100: 37.25, 200: 68.5, 300: 99.75, 500: 162.25}
    outcome = reduce_series([result(gap, impedance) for gap, impedance in points.items()])
    assert outcome.figures["conductivity"].value == pytest.approx(3.2, rel=1e-9)
    assert outcome.figures["contact_impedance"].value == pytest.approx(6.0e-6, rel=1e-9)
    assert outcome.flags == ()


def test_one_thin_layer_alone_would_read_too_low():
    """Worked case: gap over impedance at 50 um is 2.3121, 27.75 % below the true 3.2."""
    thin = result(50, 21.625)
    alone = thin.figures["gap"].value / thin.figures["thermal_impedance"].value
    outcome = reduce_series([thin, result(100, 37.25), result(500, 162.25)])
    assert alone / outcome.figures["conductivity"].value - 1.0 == pytest.approx(-0.2775, abs=5e-5)


def test_an_offset_in_every_gap_leaves_the_slope_and_moves_the_intercept():
    """Physics property P5."""
    points = {50: 21.9, 100: 36.8, 200: 68.7, 300: 100.3}
    plain = reduce_series([result(gap, r, u_gap=0.5, u_impedance=0.3) for gap, r in points.items()])
    moved = reduce_series([result(gap + 4.0, r, u_gap=0.5, u_impedance=0.3) for gap, r in points.items()])
    k = plain.figures["conductivity"].value
    assert moved.figures["conductivity"].value == pytest.approx(k, rel=1e-9)
    shift = moved.figures["contact_impedance"].value - plain.figures["contact_impedance"].value
    assert shift == pytest.approx(-um(4.0) / k, rel=1e-6)


# --- shared errors ----------------------------------------


def test_a_zero_shared_by_all_moves_the_intercept_whole_and_the_slope_not_at_all():
    points = {50: 21.625, 100: 37.25, 200: 68.5, 300: 99.75, 500: 162.25}
    common = reduce_series(
        [result(g, r, u_gap=0.01, u_impedance=0.01, shared=[("zero", -2.0, 0)]) for g, r in points.items()]
    )
    own = reduce_series([result(g, r, u_gap=2.0, u_impedance=0.01) for g, r in points.items()])
    assert common.figures["contact_impedance"].u == pytest.approx(um(2.0 / 3.2), rel=0.02)
    assert common.figures["contact_impedance"].u > 1.1 * own.figures["contact_impedance"].u / math.sqrt(2.0)
    assert common.figures["conductivity"].u < 0.02 * own.figures["conductivity"].u
    sources = [line.source for line in common.budget["contact_impedance"]]
    assert sources[0] == "zero"


def test_a_shared_area_scales_conductivity_as_a_whole():
    """Impedance is proportional to the area: 1 % of it is 1 % of the conductivity, however many results there are."""
    points = {50: 21.625, 100: 37.25, 200: 68.5, 300: 99.75, 500: 162.25}
    results = [result(g, r, u_gap=1e-3, u_impedance=1e-3, shared=[("area", 0, 0.01 * r)]) for g, r in points.items()]
    found = reduce_series(results).figures["conductivity"]
    assert found.u / found.value == pytest.approx(0.01, rel=0.02)


def test_shares_of_the_budget_add_up():
    points = {50: 21.6, 100: 37.3, 200: 68.5, 300: 99.7}
    shared = [("zero", -1.0, 0.0), ("hot", 0.01, 0.3)]
    outcome = reduce_series([result(g, r, u_gap=0.4, u_impedance=0.2, shared=shared) for g, r in points.items()])
    for key, lines in outcome.budget.items():
        assert sum(line.share for line in lines) == pytest.approx(1.0)
        assert math.sqrt(sum(line.u**2 for line in lines)) == pytest.approx(outcome.figures[key].u)


def test_results_of_a_simulated_rig_share_its_errors_and_hold_the_truth():
    """Five layers of one material on one rig with one zero: what the budgets call common is common in the line."""
    from analysis.methods.steady import reduce_steady
    from lims.demo.simulator import Bench, Layer, Plan, simulate
    from tests.analysis.steady.simulated import setup_of, trace_of

    hits = {"conductivity": 0, "contact_impedance": 0}
    for rig in range(12):
        made = [
            simulate(
                Bench(u_area=4e-6), Layer(gap_end=gap, gap_open=2.0 * gap), Plan(), seed=10 * rig + n, rig_seed=rig
            )
            for n, gap in enumerate((30e-6, 60e-6, 100e-6, 150e-6, 220e-6))
        ]
        zero = trace_of(made[0].zero, "zero.csv")
        outcome = reduce_series([reduce_steady(trace_of(one.run), setup_of(one), zero=zero) for one in made])
        for key, truth in (("conductivity", 4.0), ("contact_impedance", 3e-6)):
            hits[key] += abs(outcome.figures[key].value - truth) <= outcome.figures[key].expanded
        sources = {line.source for line in outcome.budget["contact_impedance"] if line.common}
        assert {"hot_temperature calibration", "zero readings"} & sources
    assert min(hits.values()) >= 10


# --- refusals and flags ----------------------------------------


def test_a_negative_intercept_is_told_as_a_zero_error_and_not_clipped():
    points = {50: 21.625, 100: 37.25, 200: 68.5, 300: 99.75}
    outcome = reduce_series([result(g + 30.0, r, u_gap=0.3, u_impedance=0.2) for g, r in points.items()])
    intercept = outcome.figures["contact_impedance"]
    assert intercept.value == pytest.approx(um(6.0 - 30.0 / 3.2), abs=um(0.01))
    (flag,) = outcome.flags
    assert (flag.code, flag.severity) == ("intercept_negative", Severity.BLOCKS)
    assert "11 um too large" in flag.message  # 30 um less the 19.2 um of the contacts: -intercept * k = 10.8
    assert outcome.parts["line"]["zero_offset"]["value"] == pytest.approx(10.8, abs=0.05)


def test_gaps_that_hardly_spread_are_refused_with_the_spread_that_would_do():
    truth = {100.0: 37.25, 104.0: 38.5, 108.0: 39.75}
    outcome = reduce_series([result(g, r, u_gap=0.5, u_impedance=0.8) for g, r in truth.items()])
    (flag,) = outcome.flags
    assert (flag.code, flag.severity, dict(outcome.figures)) == ("spread_too_small", Severity.BLOCKS, {})
    enough = float(flag.message.split("about ")[1].split(" um")[0])
    wide = {
        100.0: 37.25,
        100.0 + 0.55 * enough: 37.25 + 0.55 * enough / 3.2,
        100.0 + 1.1 * enough: 37.25 + 1.1 * enough / 3.2,
    }
    assert "conductivity" in reduce_series([result(g, r, u_gap=0.5, u_impedance=0.8) for g, r in wide.items()]).figures


def test_mixed_pressures_are_refused_by_name():
    outcome = reduce_series([result(50, 21.6), result(100, 37.2), result(200, 68.5, pressure=400e3)])
    (flag,) = outcome.flags
    assert flag.code == "pressures_mixed"
    assert "gap-200.csv 400 kPa" in flag.message
    assert outcome.figures == {}


@pytest.mark.parametrize("gaps", [(50, 100), (50, 50.0005, 100), (80, 80, 80)])
def test_fewer_than_three_different_gaps_are_refused(gaps):
    outcome = reduce_series([result(gap, 6.0 + gap / 3.2, u_gap=0.5) for gap in gaps])
    assert outcome.figures == {}
    assert codes(outcome)[0] in ("too_few_points", "gaps_alike")


def test_a_result_with_a_blocking_flag_is_left_out_with_its_reason_unless_overridden():
    bad = Flag("zero_stale", Severity.BLOCKS, "the zero is 12 h old", ("gap",))
    results = [result(g, 6.0 + g / 3.2) for g in (50, 100, 200)]
    results.append(replace(result(300, 120.0), flags=(bad,)))
    outcome = reduce_series(results)
    assert outcome.parts["results"][3]["used"] is False
    assert outcome.parts["results"][3]["reason"] == "zero_stale: the zero is 12 h old"
    assert outcome.figures["conductivity"].value == pytest.approx(3.2, rel=1e-6)
    again = reduce_series(results, overridden=[(), (), (), ("zero_stale",)])
    assert all(entry["used"] for entry in again.parts["results"])


def test_points_that_bend_are_flagged():
    results = [result(g, 6.0 + g / 3.2 + 2e-4 * g**2, u_gap=0.2, u_impedance=0.3) for g in (50, 100, 200, 300, 500)]
    assert "curved" in codes(reduce_series(results))


def test_scatter_beyond_the_stated_uncertainties_widens_the_figures_and_is_flagged():
    off = [0.0, 9.0, -8.0, 7.0, -9.0, 4.0]
    gaps = (50, 100, 200, 300, 400, 500)
    tight = reduce_series([result(g, 6.0 + g / 3.2, u_gap=0.2, u_impedance=0.3) for g in gaps])
    loose = reduce_series(
        [result(g, 6.0 + g / 3.2 + o, u_gap=0.2, u_impedance=0.3) for g, o in zip(gaps, off, strict=True)]
    )
    assert "lack_of_fit" in codes(loose)
    assert loose.figures["conductivity"].u > 10.0 * tight.figures["conductivity"].u


def test_a_missing_pressure_is_said():
    results = [result(g, 6.0 + g / 3.2, pressure=None if g == 100 else 250e3) for g in (50, 100, 200)]
    assert codes(reduce_series(results)) == ["pressure_unknown"]


# --- the command ----------------------------------------


def write(folder, results):
    paths = []
    for reduction in results:
        path = folder / f"{reduction.run['file']}.json"
        path.write_text(json.dumps(reduction.to_dict()), encoding="utf-8")
        paths.append(path)
    return paths


def test_the_command_prints_the_outcome_as_json_and_agrees_with_the_function(tmp_path, capsys):
    results = [result(g, 6.0 + g / 3.2, u_gap=0.3, u_impedance=0.2) for g in (50, 100, 200)]
    paths = write(tmp_path, results)
    assert main(["series", *map(str, paths), "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["method"] == {"name": "series", "version": "1"}
    assert printed["figures"]["conductivity"]["unit"] == "W/(m*K)"
    assert printed["figures"]["conductivity"]["value"] == pytest.approx(3.2, rel=1e-6)
    assert list(printed) == [
        "method", "figures", "budget", "results", "line", "tests", "flags", "notes", "files", "package_version",
        "worked",
    ]  # fmt: skip
    assert analysis.series(paths).to_dict() == printed


def test_the_command_exits_with_3_and_flags_where_there_is_no_line(tmp_path, capsys):
    paths = write(tmp_path, [result(50, 21.6), result(100, 37.2)])
    assert main(["series", *map(str, paths), "--json"]) == 3
    printed = json.loads(capsys.readouterr().out)
    assert printed["figures"] == {}
    assert printed["flags"][0]["code"] == "too_few_points"


def test_the_command_names_a_file_that_is_no_result(tmp_path, capsys):
    path = tmp_path / "odd.json"
    path.write_text('{"figures": 3}', encoding="utf-8")
    assert main(["series", str(path)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "odd.json" in captured.err
