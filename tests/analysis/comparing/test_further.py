"""Further statistics of a ranking: against reference libraries, closed forms, and the rule that runs never count."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from analysis.comparing.further import further, outlier_probabilities
from analysis.comparing.matching import Conditions, Result
from analysis.comparing.output import to_dict
from analysis.comparing.ranking import rank
from analysis.errors import NotComparable, OutOfRange
from analysis.results import Measured

VALUES = {"S-1": [9.0, 9.2, 8.9, 9.1], "S-2": [9.1, 9.0, 9.3, 9.2], "S-3": [14.0, 14.1, 13.8, 14.3]}


def ranked(values=VALUES, *, times: int = 1, **more):
    results = [
        Result(
            f"R-{sample}-{n}-{again}",
            sample,
            f"A-{sample}-{n}",
            {"temperature_rise": Measured(value, 0.05)},
            conditions={"rig": f"rig-{n % 2}", "day": f"2026-11-{10 + n}"},
        )
        for again in range(times)
        for sample, several in values.items()
        for n, value in enumerate(several)
    ]
    return rank(results, conditions=Conditions(), **more)


def test_duplicating_every_run_ten_times_changes_no_interval() -> None:
    """CMP-04: the application is the unit of replication."""
    once, often = ranked(reference="S-1"), ranked(times=10, reference="S-1")
    one, other = to_dict(once), to_dict(often)
    for part in ("ranking", "differences", "against_reference"):
        for first, second in zip(one[part], other[part], strict=True):
            assert second["interval"] == pytest.approx(first["interval"], rel=1e-12)
    assert further(often, margin=0.5)["equivalence"]["pairs"][0]["p"] == pytest.approx(
        further(once, margin=0.5)["equivalence"]["pairs"][0]["p"], rel=1e-9
    )


def test_the_probability_to_be_best_of_two_is_that_of_student_s_t() -> None:
    """Closed form: the difference of two means over its standard error follows Student's t."""
    found = ranked({key: VALUES[key] for key in ("S-1", "S-2")}, spread="pooled")
    told = further(found)["best"]
    one, other = (np.array(VALUES[key]) for key in ("S-1", "S-2"))
    sd = np.sqrt((one.var(ddof=1) + other.var(ddof=1)) / 2)
    expected = stats.t.cdf((other.mean() - one.mean()) / (sd * np.sqrt(0.5)), df=6)
    assert told["samples"][0]["probability"] == pytest.approx(expected, abs=4 * told["samples"][0]["u"])
    assert further(found)["best"] == told


def test_two_one_sided_tests_agree_with_statsmodels_and_holm() -> None:
    """Reference library: statsmodels ttost_ind and multipletests."""
    from statsmodels.stats.multitest import multipletests
    from statsmodels.stats.weightstats import ttost_ind

    pair = {key: VALUES[key] for key in ("S-1", "S-2")}
    told = further(ranked(pair, spread="pooled"), margin=0.4)["equivalence"]
    expected, _, _ = ttost_ind(np.array(pair["S-1"]), np.array(pair["S-2"]), -0.4, 0.4, usevar="pooled")
    assert told["pairs"][0]["p"] == pytest.approx(expected, rel=1e-6)
    three = further(ranked(spread="separate"), margin=0.4)["equivalence"]["pairs"]
    raw = [
        ttost_ind(np.array(VALUES[one["first"]]), np.array(VALUES[one["second"]]), -0.4, 0.4, usevar="unequal")[0]
        for one in three
    ]
    assert [one["p"] for one in three] == pytest.approx(multipletests(raw, method="holm")[1], rel=1e-6)
    assert [one["same"] for one in three] == [True, False, False]


def test_a_value_apart_is_found_as_statsmodels_finds_it_and_stays_in_the_mean() -> None:
    """Reference library: statsmodels OLSResults.outlier_test with Bonferroni's bound."""
    values = {"S-1": [9.0, 9.2, 8.9, 9.1, 9.0], "S-2": [12.0, 12.1, 11.9, 12.2, 14.5]}
    table = pd.DataFrame(
        [(sample, value) for sample, several in values.items() for value in several], columns=["s", "y"]
    )
    fit = smf.ols("y ~ 0 + s", table).fit()
    means = table.groupby("s")["y"].transform("mean")
    found = outlier_probabilities((table["y"] - means).to_numpy(), sizes=np.full(10, 5.0), dof=8.0)
    assert found == pytest.approx(fit.outlier_test(method="bonf")["bonf(p)"].to_numpy(), rel=1e-6)
    ranking = ranked(values)
    assert [one["application"] for one in further(ranking)["outliers"]] == ["A-S-2-4"]
    assert ranking.ranked.items[1].mean == pytest.approx(np.mean(values["S-2"]))


def test_neighbours_not_told_apart_say_how_many_more_and_where() -> None:
    told = further(ranked())["more"]
    assert [(one["better"], one["worse"]) for one in told] == [("S-1", "S-2")]
    assert told[0]["more"] == [told[0]["needed"] - 4] * 2
    assert told[0]["rigs"] == ["rig-0", "rig-1"]


def test_rigs_and_days_are_levels_of_a_mixed_model_where_there_are_several() -> None:
    values = {sample: [value + 2.0 * (n % 2) for n, value in enumerate(several)] for sample, several in VALUES.items()}
    told = further(ranked(values))["mixed"]
    assert {one["level"] for one in told["levels"]} == {"rig", "day"}
    assert next(one["sd"] for one in told["levels"] if one["level"] == "rig") > 0.5
    assert told["residual"] < 0.3


def test_the_spread_is_taken_as_chosen_and_says_so() -> None:
    assert "by choice" in to_dict(ranked(spread="separate"))["statistics"]["spread"]
    assert to_dict(ranked(spread="separate"))["statistics"]["method"] == "Games-Howell"
    assert to_dict(ranked(spread="pooled"))["statistics"]["method"] == "Tukey-Kramer"
    with pytest.raises(NotComparable, match="'other'"):
        ranked(spread="other")
    with pytest.raises(OutOfRange, match="margin"):
        further(ranked(), margin=0.0)
