"""Ranking under matched conditions: what counts, what is told apart, what is left out."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.comparing.matching import Condition, Conditions, Result
from analysis.comparing.ranking import Ranking, rank
from analysis.errors import NotComparable
from analysis.results import BudgetLine, Flag, Measured, Severity
from analysis.statistics.student import coverage_factor

ANY = Conditions()
# NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1, taken as temperature rises of four samples
FOUR = {
    "S-1": [6.9, 5.4, 5.8, 4.6, 4.0],
    "S-2": [8.3, 6.8, 7.8, 9.2, 6.5],
    "S-3": [8.0, 10.5, 8.1, 6.9, 9.3],
    "S-4": [5.8, 3.8, 6.1, 5.6, 6.2],
}


def run(sample: str, application: str, value: float, **changes: object) -> Result:
    plain = Result(
        f"R-{sample}-{application}",
        sample,
        application,
        {"temperature_rise": Measured(value, 0.05, 50.0)},
        {"rig": "north"},
        digest=f"{sample}-{application}-{value}",
    )
    return dataclasses.replace(plain, **changes)


def runs(values: dict[str, list[float]], **changes: object) -> list[Result]:
    return [
        run(sample, f"A-{number}", value, **changes)
        for sample, several in values.items()
        for number, value in enumerate(several)
    ]


def calibrated(one: Result, rig: str, u: float) -> Result:
    lines = (BudgetLine("hot_temperature calibration", u, 1.0, "B", common=f"{rig}: hot"),)
    return dataclasses.replace(one, conditions={"rig": rig}, budget={"temperature_rise": lines})


def intervals(ranking: Ranking) -> list[tuple[float, float] | None]:
    return [item.interval for item in ranking.items]


def test_handbook_example_gives_its_order_letters_and_ties() -> None:
    found = rank(runs(FOUR), conditions=ANY)
    assert [(item.sample, item.letters, item.rank) for item in found.ranked.items] == [
        ("S-1", "a", 1),
        ("S-4", "a", 1),
        ("S-2", "b", 3),
        ("S-3", "b", 3),
    ]
    value, low, high, p = found.difference("S-1", "S-2") or (0.0, 0.0, 0.0, 0.0)
    assert (low, high) == pytest.approx((-4.467, -0.293), abs=2e-3)  # e-Handbook 7.4.7.1
    assert p == pytest.approx(0.023, abs=6e-4)
    assert found.difference("S-2", "S-1") == pytest.approx((-value, -high, -low, p))


def test_interval_of_a_mean_uses_the_pooled_spread_and_its_degrees_of_freedom() -> None:
    found = rank(runs(FOUR), conditions=ANY)
    item = found.ranked.items[0]
    half = float(coverage_factor(16.0)) * math.sqrt(1.33075 / 5)  # e-Handbook: mean square 1.33075 at 16
    assert item.interval == pytest.approx((5.34 - half, 5.34 + half))
    assert item.dof == pytest.approx(16.0)
    assert found.ranked.spread is not None
    assert found.ranked.spread.pooled
    assert found.ranked.spread.test is not None
    assert found.ranked.spread.test.p == pytest.approx(stats.levene(*FOUR.values(), center="median").pvalue)


def test_unlike_spreads_are_not_pooled() -> None:
    rng = np.random.default_rng(2)
    values = {f"S-{n}": list(10 + n + rng.normal(0, sd, 8)) for n, sd in enumerate((0.02, 0.02, 1.5))}
    found = rank(runs(values), conditions=ANY)
    assert found.ranked.spread is not None
    assert found.ranked.spread.method == "Games-Howell"
    narrow = next(item for item in found.ranked.items if item.sample == "S-0")
    own = stats.t.interval(0.95, 7, np.mean(values["S-0"]), stats.sem(values["S-0"]))
    assert narrow.interval == pytest.approx(own)


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 10), st.integers(0, 10_000))
def test_repeating_every_run_narrows_nothing(copies: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = {f"S-{n}": list(rng.normal(10 + n, 0.5, 4)) for n in range(3)}
    once = runs(values)
    re_runs = [
        dataclasses.replace(one, id=f"{one.id}/{copy}", digest=f"{one.digest}/{copy}")
        for one in once
        for copy in range(copies)
    ]
    re_reads = [dataclasses.replace(one, id=f"{one.id}/{copy}") for one in once for copy in range(copies)]
    plain = rank(once, conditions=ANY)
    for more in (re_runs, re_reads):
        found = rank(more, conditions=ANY)
        assert [item.n for item in found.items] == [4, 4, 4]
        for ours, theirs in zip(intervals(found), intervals(plain), strict=True):
            assert ours == pytest.approx(theirs)
    assert rank(re_reads, conditions=ANY).title == f"12 of {12 * copies} runs used; {12 * (copies - 1)} left out"


def test_runs_of_one_application_count_as_their_mean() -> None:
    several = [run("S-1", "A-1", value, id=f"R-{value}") for value in (10.0, 11.0)]
    found = rank([*several, *runs({"S-1": [0, 0, 12.0, 13.0][2:], "S-2": [20.0, 21.0]})], conditions=ANY, required=2)
    assert dict(found.items[0].values)["A-1"] == pytest.approx((10.0 + 11.0 + 13.0) / 3)


def test_a_recording_handed_in_for_two_applications_counts_once() -> None:
    copied = run("S-1", "A-9", FOUR["S-1"][0], digest="S-1-A-0-6.9")
    found = rank([*runs(FOUR), copied], conditions=ANY)
    assert found.items[0].n == 5
    assert found.left_out[0].id == copied.id
    assert "same recording" in found.left_out[0].reasons[0].message


def test_one_application_has_no_interval_and_says_so() -> None:
    found = rank([*runs(FOUR), run("S-9", "A-1", 3.0)], conditions=ANY)
    (single,) = found.single
    assert (single.interval, single.rank, single.letters, single.provisional) == (None, None, "", True)
    assert single.notes[0].startswith("one application: no interval from own data; other samples scatter by s = 1.2 K")


def test_too_few_applications_are_ranked_apart() -> None:
    found = rank([*runs(FOUR), *runs({"S-8": [1.0, 1.2], "S-9": [2.0, 2.1]})], conditions=ANY)
    assert [item.sample for item in found.ranked.items] == ["S-1", "S-4", "S-2", "S-3"]
    assert [(item.sample, item.rank, item.provisional) for item in found.provisional.items] == [
        ("S-8", 1, True),
        ("S-9", 2, True),
    ]
    alone = rank(runs(FOUR), conditions=ANY)
    assert intervals(found)[:4] == intervals(alone)


def test_higher_conductivity_is_better() -> None:
    turned = [
        dataclasses.replace(one, figures={"apparent_conductivity": one.figures["temperature_rise"]})
        for one in runs(FOUR)
    ]
    found = rank(turned, conditions=ANY, figure="apparent_conductivity")
    assert [item.sample for item in found.ranked.items] == ["S-3", "S-2", "S-4", "S-1"]
    assert found.ranked.items[0].letters == "a"


def test_left_out_runs_are_counted_and_listed_with_reasons() -> None:
    flag = Flag("zero_stale", Severity.BLOCKS, "the zero is 11 h old, allowed 8 h")
    stale = run("S-1", "A-9", 5.0, flags=(flag,))
    found = rank([*runs(FOUR), stale], conditions=ANY)
    assert found.title == "20 of 21 runs used; 1 left out"
    assert [(entry.id, entry.reasons[0].message) for entry in found.left_out] == [(stale.id, flag.message)]
    allowed = rank([*runs(FOUR), dataclasses.replace(stale, overridden=("zero_stale",))], conditions=ANY)
    assert allowed.title == "21 of 21 runs used; 0 left out"
    assert "flag zero_stale overridden" in " ".join(allowed.items[0].notes + allowed.items[1].notes)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.sampled_from([150.0, 250.0, 300.0]), min_size=6, max_size=18))
def test_no_rank_is_ever_given_across_a_mismatch(pressures: list[float]) -> None:
    several = [
        run(f"S-{number % 3}", f"A-{number}", 10.0 + number, conditions={"pressure": pressure})
        for number, pressure in enumerate(pressures)
    ]
    found = rank(several)
    used = {name for item in found.items for name in item.result_ids}
    assert len({one.conditions["pressure"] for one in several if one.id in used}) == 1
    assert len(used) + len(found.left_out) == len(several)
    assert bool(found.refusals) == (len(found.items) < 2)


def test_two_samples_at_two_pressures_are_refused_with_both_values() -> None:
    low = runs({"S-1": [5.0, 5.1, 5.2]}, conditions={"pressure": 150_000.0})
    high = runs({"S-2": [4.0, 4.1, 4.2]}, conditions={"pressure": 300_000.0})
    found = rank([*low, *high])
    assert all(item.rank is None for item in found.items)
    assert len(found.refusals) == 1
    assert "150" in found.refusals[0]
    assert "300" in found.refusals[0]
    assert found.refusals[0].endswith("tolerance 5 %")


def test_same_values_everywhere_do_not_pass_as_certain() -> None:
    found = rank(runs({"S-1": [5.0] * 3, "S-2": [5.01] * 3}), conditions=ANY)
    assert [item.rank for item in found.items] == [1, 1]  # 0.01 K, where each run is known to 0.05 K
    assert found.ranked.spread is not None
    assert "no scatter at all" in found.ranked.spread.sentence


def test_smallest_difference_and_needed_applications() -> None:
    # two samples: pooled t; s = 0.40, n = 3: 1.23 (statsmodels), and a difference of 0.6 is a tie
    offsets = np.array([-0.4, 0.0, 0.4])
    found = rank(runs({"S-1": list(10 + offsets), "S-2": list(10.6 + offsets)}), conditions=ANY)
    assert found.ranked.smallest_difference == pytest.approx(1.2284, abs=1e-3)
    (pair,) = found.ranked.neighbours
    assert not pair.separated
    assert [item.rank for item in found.items] == [1, 1]
    assert pair.needed == 9  # statsmodels TTestIndPower: effect 1.5, power 0.8, risk 0.05: 8.06 a group


def test_differences_to_the_reference_are_dunnetts() -> None:
    blood = {
        "REF": [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
        "A": [9.76, 8.80, 7.68, 9.36],
        "B": [12.80, 9.68, 12.16, 9.20, 10.55],
    }  # Dunnett 1955
    found = rank(runs(blood), conditions=ANY, reference="REF")
    assert found.against is not None
    assert found.against.method == "Dunnett"
    by_name = {found.items[int(i)].sample: float(p) for i, p in zip(found.against.first, found.against.p, strict=True)}
    assert by_name == pytest.approx({"A": 0.6201020, "B": 0.0058254}, abs=1e-5)


def test_a_reference_that_is_not_there_is_named() -> None:
    found = rank(runs(FOUR), conditions=ANY, reference="S-99")
    assert found.against is None
    assert found.notes == ("reference S-99 is not among the ranked samples: no differences to it",)


def test_common_calibration_cancels_on_one_rig_and_does_not_between_rigs() -> None:
    one_rig = [calibrated(one, "north", 0.3) for one in runs(FOUR)]
    found, plain = rank(one_rig, conditions=ANY), rank(runs(FOUR), conditions=ANY)
    assert found.ranked.differences is not None
    assert plain.ranked.differences is not None
    assert found.ranked.differences.half == pytest.approx(plain.ranked.differences.half)
    item, bare = found.items[0], plain.items[0]
    assert item.u == pytest.approx(math.hypot(bare.u or 0.0, 0.3))
    two_rigs = [calibrated(one, "south" if one.sample == "S-1" else "north", 0.3) for one in runs(FOUR)]
    apart = rank(two_rigs, conditions=ANY)
    assert apart.ranked.differences is not None
    assert apart.ranked.differences.se[0] == pytest.approx(math.sqrt(plain.ranked.differences.se[0] ** 2 + 2 * 0.3**2))
    assert "rig effect not separable" in apart.notes[0]


@pytest.mark.parametrize("rigs", [("north", "north"), ("north", "south")])
def test_uncertainty_of_a_difference_agrees_with_random_draws(rigs: tuple[str, str]) -> None:
    """JCGM 101:2008: the same quantity by propagation of distributions, within 2 %."""
    rng, n, sd, u, trials = np.random.default_rng(8), 4, 0.2, 0.25, 200_000
    bias = {rig: rng.normal(0, u, trials) for rig in ("north", "south")}
    means = [rng.normal(0, sd / math.sqrt(n), trials) + bias[rig] for rig in rigs]
    expected = float(np.std(means[0] - means[1]))
    offsets = np.array([-1.0, 0.0, 0.0, 1.0]) * sd * math.sqrt(1.5)  # standard deviation sd
    results = [
        calibrated(one, rigs[0] if one.sample == "S-1" else rigs[1], u)
        for one in runs({"S-1": list(10 + offsets), "S-2": list(11 + offsets)})
    ]
    found = rank(results, conditions=ANY).ranked.differences
    assert found is not None
    assert float(found.se[0]) == pytest.approx(expected, rel=0.02)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_order_of_the_results_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    several = runs({f"S-{n}": list(rng.normal(10 + n / 3, 0.5, int(rng.integers(1, 6)))) for n in range(6)})
    plain = rank(several, conditions=ANY)
    mixed = rank([several[place] for place in rng.permutation(len(several))], conditions=ANY)
    assert [(one.sample, one.rank, one.letters) for one in mixed.items] == [
        (one.sample, one.rank, one.letters) for one in plain.items
    ]


def test_nothing_at_all_is_refused_in_words() -> None:
    found = rank([], conditions=ANY)
    assert found.refusals == ("not ranked: no sample matches",)
    assert found.title == "0 of 0 runs used; 0 left out"


def test_an_unknown_figure_is_refused() -> None:
    with pytest.raises(NotComparable, match="'goodness' is not a figure"):
        rank(runs(FOUR), figure="goodness")


def test_declared_conditions_are_kept_with_the_ranking() -> None:
    method = Conditions((Condition("rig", allowed=("north",)),))
    found = rank([*runs(FOUR), run("S-1", "A-9", 5.0, conditions={"rig": "south"})], conditions=method)
    assert found.conditions is method
    assert found.left_out[0].reasons[0].message == "rig south, the method allows north"
