"""Statistics: certified data sets, handbook examples, and published comparisons."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.quality import between_laboratories, conformity
from analysis.results import Measured
from analysis.statistics import equivalence, letters, multiple, one_way, power, regression, student
from analysis.statistics.one_way import Groups
from analysis.validation import data
from analysis.validation.case import Case, Check

NIST = "NIST Statistical Reference Datasets, certified values"


def _norris() -> Iterator[Check]:
    x, y = np.array(data.NORRIS).T[::-1]
    line = regression.fit_line(x, y=y)
    yield Check("intercept", -0.262323073774029, line.intercept, 1e-9)
    yield Check("slope", 1.00211681802045, line.slope, 1e-12)
    yield Check("u(intercept)", 0.232818234301152, line.u_intercept, 1e-9)
    yield Check("u(slope)", 0.429796848199937e-3, line.u_slope, 1e-12)
    yield Check("residual standard deviation", 0.884796396144373, line.scatter, 1e-9)
    yield Check("R squared", 0.999993745883712, line.r_squared, 1e-12)


def _anova(groups: tuple[tuple[float, ...], ...], f: float, tolerance: float) -> Iterator[Check]:
    found = _grouped(groups)
    yield Check("F", f, one_way.anova(found).statistic, tolerance)


def _sirstv() -> Iterator[Check]:
    yield from _anova(data.SIRSTV, 1.18046237440255, 1e-9)
    residual = _grouped(data.SIRSTV).pooled_variance ** 0.5
    yield Check("residual standard deviation", 0.104076068334656, residual, 1e-9)


def _atmwtag() -> Iterator[Check]:
    yield from _anova(data.ATMWTAG, 15.9467335677930, 1e-7)


def _smls(constant: float, tolerance: float) -> Iterator[Check]:
    yield from _anova(data.simon_lesage(constant), 21.0, tolerance)


def _welch() -> Iterator[Check]:
    first, second = (249.0, 20.14458, 6.414700), (79.0, 30.48101, 6.107710)
    apart = equivalence.welch_t(first, second)
    yield Check("t, variances apart", -12.94627, apart.t, 1e-5)
    yield Check("degrees of freedom", 136.8750, apart.dof, 1e-4)
    yield Check("t, variances pooled", -12.62059, equivalence.welch_t(first, second, pooled=True).t, 1e-5)


def _tukey() -> Iterator[Check]:
    groups = _grouped(data.HANDBOOK_GROUPS)
    yield Check("F", 9.724, one_way.anova(groups).statistic, 5e-4)
    found = multiple.all_pairs(groups, pooled=True)
    yield Check("lower end of group 1 less group 2", -4.467, float(found.low[0]), 1e-3)
    yield Check("upper end of group 1 less group 2", -0.293, float(found.high[0]), 1e-3)
    for pair, p in zip(
        ("1-2", "1-3", "1-4", "2-3", "2-4", "3-4"), (0.023, 0.002, 0.996, 0.664, 0.035, 0.003), strict=True
    ):
        place = ("1-2", "1-3", "1-4", "2-3", "2-4", "3-4").index(pair)
        yield Check(f"p of {pair}", p, float(found.p[place]), 6e-4)


def _games_howell() -> Iterator[Check]:
    groups = _grouped(data.HANDBOOK_GROUPS)
    found = multiple.all_pairs(groups, pooled=False)
    for place, p in enumerate((0.038459, 0.016576, 0.994687, 0.719503, 0.040484, 0.018742)):
        yield Check(f"p of pair {place + 1}", p, float(found.p[place]), 2e-5)
    test = one_way.welch_anova(groups)
    yield Check("Welch's F", 8.072769, test.statistic, 1e-6)
    yield Check("its second degrees of freedom", 8.837426, test.dof_within, 1e-6)


def _dunnett() -> Iterator[Check]:
    found = multiple.against_reference(_grouped(data.BLOOD_COUNTS), reference=0, pooled=True)
    yield Check("p of drug A", 0.6201020, float(found.p[0]), 5e-5)
    yield Check("p of drug B", 0.0058254, float(found.p[1]), 5e-5)


def _holm() -> Iterator[Check]:
    for raw, expected, found in zip(
        (0.01, 0.04, 0.03, 0.005),
        (0.03, 0.06, 0.06, 0.02),
        multiple.holm([0.01, 0.04, 0.03, 0.005]),
        strict=True,
    ):
        yield Check(f"adjusted p of {raw:g}", expected, float(found), 1e-12)


def _letters() -> Iterator[Check]:
    differ = np.zeros((5, 5), dtype=bool)
    for one, other in ((0, 4), (1, 2), (1, 4), (2, 4)):
        differ[one, other] = differ[other, one] = True
    shown = letters.compact_letters(differ)
    for one in range(5):
        for other in range(one):
            share = float(bool(set(shown[one]) & set(shown[other])))
            yield Check(f"{other + 1} and {one + 1} share a letter", float(not differ[one, other]), share, 0.0)
    yield Check("letters used", 3.0, float(len(set("".join(shown)))), 0.0)


def _power() -> Iterator[Check]:
    plan = power.Plan(sd=1.0)
    for difference, n in ((0.5, 64.0), (0.8, 26.0), (1.0, 17.0)):
        found = power.needed_per_group(np.array([difference]), plan=plan)[0]
        yield Check(f"values a group to see {difference:g} standard deviations", n, float(found), 0.0)
    yield Check("difference seen with 5 a group", 2.0244, power.smallest_difference(plan, n=5.0), 1e-4)


def _e691() -> Iterator[Check]:
    a, c = between_laboratories.precision(data.GLUCOSE_A), between_laboratories.precision(data.GLUCOSE_C)
    for level, found, expected in (
        ("A", a, (41.5183, 0.6061, 1.0632, 1.0632)),
        ("C", c, (135.1388, 2.6567, 2.7509, 3.4789)),
    ):
        names = ("mean", "standard deviation of means", "repeatability", "reproducibility")
        obtained = (found.mean, found.sd_of_means, found.repeatability_sd, found.reproducibility_sd)
        for name, value, one in zip(names, expected, obtained, strict=True):
            yield Check(f"level {level}, {name}", value, one, 1e-4, "mg/dL")
    yield Check("k of laboratory 4 at level C", 2.41, float(c.k[3]), 5e-3)
    yield Check("critical k", 2.06, c.k_critical, 5e-3)


def _student() -> Iterator[Check]:
    for dof, t in ((1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (50, 2.05)):
        yield Check(f"t at {dof}, 95.45 %", t, student.coverage_factor(float(dof), confidence=0.9545), 6e-3)
    yield Check("t at 9, 95 %", 2.262, student.coverage_factor(9.0), 5e-4)


def _conformity() -> Iterator[Check]:
    found = conformity.judge(Measured(-5.47, 0.05), limits=conformity.Limits(upper=-5.40))
    yield Check("probability of conformity", 0.9192, found.probability, 5e-5)


def _grouped(groups: tuple[tuple[float, ...], ...]) -> Groups:
    values = np.concatenate([np.asarray(group) for group in groups])
    return one_way.summarise(values, group=np.repeat(np.arange(len(groups)), [len(group) for group in groups]))


CASES = (
    Case("norris", "straight line", "regression.fit_line", f"{NIST}: Norris", _norris),
    Case("sirstv", "one-way analysis of variance", "one_way.anova", f"{NIST}: SiRstv", _sirstv),
    Case("atmwtag", "one-way analysis of variance", "one_way.anova", f"{NIST}: AtmWtAg", _atmwtag),
    Case("smls01", "one-way analysis of variance", "one_way.anova", f"{NIST}: SmLs01", lambda: _smls(1.0, 1e-9)),
    Case("smls04", "one-way analysis of variance", "one_way.anova", f"{NIST}: SmLs04", lambda: _smls(1e6, 1e-6)),
    Case("smls07", "one-way analysis of variance", "one_way.anova", f"{NIST}: SmLs07", lambda: _smls(1e12, 1e-2)),
    Case("welch", "two means", "equivalence.welch_t", "NIST e-Handbook 1.3.5.3, AUTO83B", _welch),
    Case("tukey", "all pairs, one variance", "multiple.all_pairs", "NIST e-Handbook 7.4.7.1", _tukey),
    Case(
        "games-howell",
        "all pairs, variances apart",
        "multiple.all_pairs",
        "data of NIST e-Handbook 7.4.7.1, computed by pingouin 0.7",
        _games_howell,
    ),
    Case(
        "dunnett",
        "many against one reference",
        "multiple.against_reference",
        "C. W. Dunnett, J. Am. Statist. Assoc. 50 (1955) 1096, blood counts; probabilities of scipy's tests",
        _dunnett,
    ),
    Case("holm", "an ad-hoc list", "multiple.holm", "S. Holm, Scand. J. Statist. 6 (1979) 65, by hand", _holm),
    Case("letters", "letters beside means", "letters.compact_letters", "Gramm et al., CSDA 52 (2007) 725", _letters),
    Case("power", "runs needed", "power.needed_per_group", "J. Cohen, Statistical Power Analysis (1988)", _power),
    Case("e691", "between laboratories", "between_laboratories.precision", "ASTM E691, glucose in serum", _e691),
    Case("student", "coverage factors", "student.coverage_factor", "JCGM 100:2008, table G.2", _student),
    Case(
        "conformity",
        "decision by a limit",
        "conformity.judge",
        "JCGM 106:2012, clause 7, breakdown voltage",
        _conformity,
    ),
)
