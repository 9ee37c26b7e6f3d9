"""Several comparisons at once, against worked examples of the NIST e-Handbook, Dunnett's data and other libraries."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from analysis.statistics.letters import compact_letters
from analysis.statistics.multiple import against_reference, all_pairs, holm
from analysis.statistics.one_way import Groups, summarise

# NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1
FOUR = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3], [5.8, 3.8, 6.1, 5.6, 6.2]]
# Dunnett 1955, blood counts: the reference first
BLOOD = [[7.40, 8.50, 7.20, 8.24, 9.84, 8.32], [9.76, 8.80, 7.68, 9.36], [12.80, 9.68, 12.16, 9.20, 10.55]]
# Dunnett 1955, breaking strength of fabric: the reference first
FABRIC = [[55, 47, 48], [55, 64, 64], [55, 49, 52], [50, 44, 41]]


def grouped(lists: list[list[float]]) -> Groups:
    return summarise(np.concatenate(lists), group=np.repeat(np.arange(len(lists)), [len(one) for one in lists]))


def test_tukey_intervals_and_probabilities_of_the_handbook_example() -> None:
    found = all_pairs(grouped(FOUR), pooled=True)
    assert found.half == pytest.approx(np.full(6, 2.087368), abs=1e-5)  # e-Handbook: HSD 2.0874
    assert (found.low[0], found.high[0]) == pytest.approx((-4.467, -0.293), abs=2e-3)  # e-Handbook, 1 against 2
    assert found.p == pytest.approx([0.023, 0.002, 0.996, 0.664, 0.035, 0.003], abs=6e-4)
    assert found.method == "Tukey-Kramer"


def test_tukey_kramer_with_unequal_sizes_agrees_with_scipy() -> None:
    expected = stats.tukey_hsd(*BLOOD)
    found = all_pairs(grouped(BLOOD), pooled=True)
    interval = expected.confidence_interval()
    assert found.p == pytest.approx(expected.pvalue[found.first, found.second], abs=1e-6)
    assert found.low == pytest.approx(interval.low[found.first, found.second], rel=1e-5)


def test_games_howell_agrees_with_another_library() -> None:
    found = all_pairs(grouped(FOUR), pooled=False)
    # pingouin 0.7 pairwise_gameshowell on the same data
    assert found.p == pytest.approx([0.038459, 0.016576, 0.994687, 0.719503, 0.040484, 0.018742], abs=1e-5)
    assert found.dof[0] == pytest.approx(7.9987, abs=1e-4)


def test_games_howell_with_unequal_sizes_agrees_with_another_library() -> None:
    frame = {"y": np.concatenate(BLOOD), "g": np.repeat(["a", "b", "c"], [len(one) for one in BLOOD])}
    expected = pingouin.pairwise_gameshowell(pd.DataFrame(frame), dv="y", between="g")
    found = all_pairs(grouped(BLOOD), pooled=False)
    assert found.p == pytest.approx(expected["pval"].to_numpy(dtype=float), abs=2e-5)


@pytest.mark.parametrize("pooled", [True, False])
def test_letters_of_the_handbook_example(pooled: bool) -> None:
    found = all_pairs(grouped(FOUR), pooled=pooled)
    assert compact_letters(found.matrix(4), order=[0, 3, 1, 2]) == ("a", "b", "b", "a")


def test_dunnett_on_the_blood_counts() -> None:
    found = against_reference(grouped(BLOOD), reference=0, pooled=True)
    assert found.difference / found.se == pytest.approx([0.857032, 3.693752], abs=1e-6)
    assert found.p == pytest.approx([0.6201020, 0.0058254], abs=1e-6)
    assert (found.low[1], found.high[1]) == pytest.approx((0.839, 4.417), abs=2e-3)
    assert found.method == "Dunnett"


def test_dunnett_on_the_fabric() -> None:
    found = against_reference(grouped(FABRIC), reference=0, pooled=True)
    assert found.difference / found.se == pytest.approx([3.090733, 0.561951, -1.404879], abs=1e-6)
    assert found.p == pytest.approx([0.0366, 0.8965, 0.4091], abs=5e-4)
    assert found.half == pytest.approx(np.full(3, 10.2463), abs=5e-3)


def test_reference_comparison_without_a_common_variance_uses_sidaks_bound() -> None:
    found = against_reference(grouped(BLOOD), reference=0, pooled=False)
    raw = [stats.ttest_ind(one, BLOOD[0], equal_var=False).pvalue for one in BLOOD[1:]]
    assert found.p == pytest.approx(1.0 - (1.0 - np.array(raw)) ** 2, rel=1e-9)
    assert list(found.significant) == list(found.p < 0.05)
    assert found.method == "Welch, Sidak"


def test_a_fifth_group_raises_the_critical_value() -> None:
    four, five = (
        all_pairs(grouped(FOUR), pooled=True),
        all_pairs(grouped([*FOUR, [5.0, 5.5, 6.0, 5.2, 5.8]]), pooled=True),
    )
    assert five.critical[0] > four.critical[0]


def test_unshared_calibration_widens_a_difference_and_a_shared_one_does_not() -> None:
    groups, extra = grouped(FOUR), np.zeros((4, 4))
    plain = all_pairs(groups, pooled=True)
    assert all_pairs(groups, pooled=True, extra=extra).half == pytest.approx(plain.half)
    extra[0, 1] = extra[1, 0] = 0.3
    wider = all_pairs(groups, pooled=True, extra=extra)
    assert wider.se[0] == pytest.approx(np.sqrt(plain.se[0] ** 2 + 0.3))
    assert wider.half[0] > plain.half[0]
    assert wider.half[1:] == pytest.approx(plain.half[1:])


@pytest.mark.parametrize(
    ("sizes", "spreads", "pooled"), [((3, 6, 4, 8), (1, 1, 1, 1), True), ((6, 9, 7), (1, 3, 0.5), False)]
)
def test_all_intervals_hold_at_once_as_often_as_promised(
    sizes: tuple[int, ...], spreads: tuple[float, ...], pooled: bool
) -> None:
    rng, trials, held = np.random.default_rng(6), 3000, 0
    label = np.repeat(np.arange(len(sizes)), sizes)
    scale = np.repeat(np.array(spreads, dtype=float), sizes)
    for _ in range(trials):
        found = all_pairs(summarise(rng.normal(size=label.size) * scale, group=label), pooled=pooled)
        held += not found.significant.any()
    assert held / trials == pytest.approx(0.95, abs=0.017)  # four standard errors of 3000 draws


def test_groups_without_scatter_differ_unless_equal() -> None:
    found = all_pairs(grouped([[1.0, 1.0], [2.0, 2.0], [1.0, 1.0]]), pooled=False)
    assert list(found.significant) == [True, False, True]
    assert found.p == pytest.approx([0.0, 1.0, 0.0], abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    values=st.lists(st.lists(st.integers(-500, 500), min_size=2, max_size=6), min_size=2, max_size=6),
    shift=st.integers(-100, 100),
    scale=st.sampled_from([0.25, 3.0, 1000.0]),
    pooled=st.booleans(),
)
def test_shift_scale_and_order_change_nothing_but_the_unit(
    values: list[list[int]], shift: int, scale: float, pooled: bool
) -> None:
    lists = [[float(one) for one in group] for group in values]
    plain = all_pairs(grouped(lists), pooled=pooled)
    moved = all_pairs(grouped([[scale * (one + shift) for one in group] for group in lists]), pooled=pooled)
    assert moved.half == pytest.approx(scale * plain.half, rel=1e-6, abs=1e-6)
    assert moved.p == pytest.approx(plain.p, abs=1e-6)
    turned = all_pairs(grouped([group[::-1] for group in lists[::-1]]), pooled=pooled)
    last = len(lists) - 1
    table = {(last - i, last - j): p for i, j, p in zip(turned.first, turned.second, turned.p, strict=True)}
    assert [table[j, i] for i, j in zip(plain.first, plain.second, strict=True)] == pytest.approx(plain.p, abs=1e-6)


# exact by arithmetic
def test_holm_steps_down_and_never_falls_back() -> None:
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    ten = [0.01, 0.013, 0.014, 0.19, 0.35, 0.5, 0.63, 0.67, 0.75, 0.81]
    assert holm(ten)[:4] == pytest.approx([0.10, 0.117, 0.117, 1.0])
    assert holm(ten) == pytest.approx(multipletests(ten, method="holm")[1])
