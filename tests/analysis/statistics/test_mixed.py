"""The mixed model against statsmodels' MixedLM and the closed form of a balanced nested analysis of variance."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analysis.errors import OutOfRange
from analysis.statistics.mixed import fit_mixed


def nested(
    batches: int = 6, each: int = 4, *, seed: int = 3, sd: float = 1.0
) -> tuple[np.ndarray, list[str], list[str]]:
    """Values of three samples, each from its own batches."""
    rng = np.random.default_rng(seed)
    sample = [f"S-{n % 3}" for n in range(batches) for _ in range(each)]
    batch = [f"B-{n}" for n in range(batches) for _ in range(each)]
    effect = rng.normal(0.0, sd, batches)
    values = [10.0 + int(s[2:]) + effect[int(b[2:])] + rng.normal(0.0, 0.5) for s, b in zip(sample, batch, strict=True)]
    return np.array(values), sample, batch


def test_reml_agrees_with_statsmodels() -> None:
    """Reference library: statsmodels MixedLM, random intercept, REML."""
    values, sample, batch = nested(12, 3)
    keep = np.arange(values.size) % 7 != 0  # unbalanced
    values, sample, batch = values[keep], *(list(np.array(one)[keep]) for one in (sample, batch))
    found = fit_mixed(values, group=sample, levels={"batch": batch})
    table = pd.DataFrame({"y": values, "sample": sample, "batch": batch})
    theirs = smf.mixedlm("y ~ 0 + sample", table, groups=table["batch"]).fit(reml=True)
    for name in found.names:
        assert found.mean(name).value == pytest.approx(theirs.fe_params[f"sample[{name}]"], rel=1e-5)
        assert found.mean(name).u == pytest.approx(theirs.bse_fe[f"sample[{name}]"], rel=1e-3)
    assert found.sd["batch"] ** 2 == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=2e-3)
    assert found.residual**2 == pytest.approx(theirs.scale, rel=1e-3)
    assert found.log_likelihood == pytest.approx(theirs.llf, abs=1e-3)


def test_a_balanced_nested_design_gives_the_analysis_of_variance() -> None:
    """Closed form: s_within^2 = MS_within, s_batch^2 = (MS_between - MS_within) / n (ISO 5725-2, 7.4.5)."""
    values, _, batch = nested(8, 5)
    found = fit_mixed(values, group=["all"] * values.size, levels={"batch": batch})
    table = values.reshape(8, 5)
    within = float(np.mean(np.var(table, axis=1, ddof=1)))
    between = 5.0 * float(np.var(table.mean(axis=1), ddof=1))
    assert found.residual**2 == pytest.approx(within, rel=1e-5)
    assert found.sd["batch"] ** 2 == pytest.approx((between - within) / 5.0, rel=1e-5)
    assert found.mean("all").u == pytest.approx(np.sqrt(between / 40.0), rel=1e-5)
    assert found.mean("all").dof == 7


def test_rigs_crossed_with_samples_cancel_in_differences() -> None:
    rng = np.random.default_rng(5)
    sample = [s for s in "ab" for _ in range(8)]
    rig = [f"rig-{n % 4}" for n in range(16)]
    values = np.array(
        [{"a": 1.0, "b": 2.0}[s] + 3.0 * int(r[-1]) + rng.normal(0, 0.1) for s, r in zip(sample, rig, strict=True)]
    )
    found = fit_mixed(values, group=sample, levels={"rig": rig})
    assert found.sd["rig"] > 2.0
    assert found.difference("b", "a").u == pytest.approx(found.residual * np.sqrt(2 / 8), rel=1e-3)
    assert found.mean("a").u > 1.0


def test_a_level_that_does_not_scatter_is_nought_and_one_that_tells_nothing_left_out() -> None:
    values = np.array([1.0, 2.0, 2.0, 1.0, 1.0, 2.0, 2.0, 1.0])
    batch = [str(n // 2) for n in range(8)]
    found = fit_mixed(values, group=["a"] * 8, levels={"batch": batch, "rig": ["R"] * 8, "day": list("12345678")})
    assert found.sd == {"batch": 0.0, "rig": 0.0, "day": 0.0}
    assert found.mean("a").u == pytest.approx(np.std(values, ddof=1) / np.sqrt(8), rel=1e-3)


@pytest.mark.parametrize(
    ("values", "group", "levels", "words"),
    [
        ([1.0, 2.0, 3.0], ["a", "b"], {}, "group has 2 entries"),
        ([1.0, 2.0, 3.0], ["a"] * 3, {"rig": ["x"]}, "rig has 1 entries"),
        ([1.0, np.nan, 3.0], ["a"] * 3, {}, "no number"),
        ([1.0, 2.0], ["a", "b"], {}, "no scatter"),
    ],
)
def test_what_cannot_be_fitted_is_refused(values, group, levels, words) -> None:
    with pytest.raises(OutOfRange, match=words):
        fit_mixed(values, group=group, levels=levels)
