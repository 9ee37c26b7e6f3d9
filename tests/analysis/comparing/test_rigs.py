"""The rigs' effect told from the samples', against a general least-squares solver."""

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.comparing.matching import Conditions, Result
from analysis.comparing.ranking import Ranking, rank
from analysis.results import Measured


def measured(plan: list[tuple[str, str, float]]) -> list[Result]:
    return [
        Result(f"R-{n}", sample, f"A-{n}", {"thermal_impedance": Measured(value, 0.01)}, {"rig": rig})
        for n, (sample, rig, value) in enumerate(plan)
    ]


def planned(shift: float, *, reference: bool) -> list[tuple[str, str, float]]:
    """S-1 (10.0) on the south rig, S-2 (11.0) on the north rig; the south rig reads `shift` too high."""
    rng = np.random.default_rng(3)
    cases = [("S-1", "south", 10.0 + shift), ("S-2", "north", 11.0)]
    if reference:
        cases += [("REF", "south", 15.0 + shift), ("REF", "north", 15.0)]
    return [(sample, rig, value + rng.normal(0, 0.1)) for sample, rig, value in cases for _ in range(5)]


def ranked(plan: list[tuple[str, str, float]]) -> Ranking:
    return rank(measured(plan), conditions=Conditions(), figure="thermal_impedance")


def test_an_effect_of_one_rig_turns_the_plain_order_and_is_taken_out_by_the_reference() -> None:
    found = ranked(planned(2.0, reference=True))
    assert [item.sample for item in found.ranked.items] == ["S-2", "S-1", "REF"]
    assert found.rigs is not None
    assert [one.sample for one in found.rigs.adjusted] == ["S-1", "S-2", "REF"]
    assert [one.letters for one in found.rigs.adjusted] == ["a", "b", "c"]
    effects = dict(found.rigs.effects)
    assert effects["south"].value - effects["north"].value == pytest.approx(2.0, abs=0.2)
    assert any("another order" in note for note in found.notes)


def test_without_a_link_the_effect_is_not_separable_and_the_ranking_says_so() -> None:
    found = ranked(planned(2.0, reference=False))
    assert found.rigs is None
    assert found.notes == ("rig effect not separable: no samples link north and south; measure a reference on each",)


def test_one_rig_has_no_effect_to_show() -> None:
    found = ranked([(sample, "north", value) for sample, _, value in planned(0.0, reference=True)])
    assert found.rigs is None
    assert found.notes == ()


def test_effects_and_means_agree_with_a_general_solver() -> None:
    rng = np.random.default_rng(11)
    samples, rigs = ["S-1", "S-2", "S-3", "S-4"], ["east", "north", "south"]
    plan = [
        (sample, rig, 10 + i + 0.7 * j + rng.normal(0, 0.3))
        for i, sample in enumerate(samples)
        for j, rig in enumerate(rigs)
        for _ in range(int(rng.integers(0, 4)))
    ] + [("S-1", rig, 10 + 0.7 * j + rng.normal(0, 0.3)) for j, rig in enumerate(rigs)]
    found = ranked(plan).rigs
    assert found is not None
    design = np.array(
        [[sample == one for one in samples] + [rig == one for one in rigs[1:]] for sample, rig, _ in plan]
    )
    fit = sm.OLS([value for _, _, value in plan], design.astype(float)).fit()
    effects = dict(found.effects)
    assert effects["north"].value - effects["east"].value == pytest.approx(fit.params[4])
    assert effects["south"].value - effects["east"].value == pytest.approx(fit.params[5])
    by_name = {one.sample: one.measured for one in found.adjusted}
    difference = by_name["S-2"].value - by_name["S-1"].value
    assert difference == pytest.approx(fit.params[1] - fit.params[0])
    assert by_name["S-1"].dof == fit.df_resid


def test_letters_use_the_standard_error_of_the_adjusted_difference() -> None:
    """Two samples linked by one thin reference are told apart less surely than their own scatter says."""
    rng = np.random.default_rng(2)
    plan = [("S-1", "south", 10.0 + rng.normal(0, 0.1)) for _ in range(8)]
    plan += [("S-2", "north", 10.25 + rng.normal(0, 0.1)) for _ in range(8)]
    plan += [("REF", rig, 15.0 + rng.normal(0, 0.1)) for rig in ("south", "north", "north")]
    found = ranked(plan)
    assert found.rigs is not None
    assert [item.letters for item in found.ranked.items] == ["a", "b", "c"]
    assert [one.letters for one in found.rigs.adjusted] == ["a", "a", "b"]
