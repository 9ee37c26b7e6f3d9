"""Statistics: certified data sets, handbook examples, and published comparisons."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np
from scipy import special

from analysis.quality import between_laboratories, conformity
from analysis.results import Measured
from analysis.statistics import (
    autocorrelation,
    curve,
    equivalence,
    errors_in_both,
    letters,
    multiple,
    one_way,
    power,
    regression,
    student,
    trend,
)
from analysis.statistics.one_way import Groups as Grouped
from analysis.validation import data
from analysis.validation.case import Case, Check
from analysis.validation.data import Groups

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


def _smls(constant: float, size: int, tolerance: float) -> Iterator[Check]:
    yield from _anova(data.simon_lesage(constant, size), float(size), tolerance)


def _univariate(values: Iterable[float], mean: float, sd: float, r: float, sd_off: float) -> Iterator[Check]:
    """Mean, standard deviation and correlation of neighbours of a row."""
    row = np.array(list(values))
    found = one_way.summarise(row, group=np.zeros(row.size, dtype=int))
    covariance = autocorrelation.autocovariance(row)
    yield Check("mean", mean, float(found.mean[0]), 1e-13 * abs(mean))
    yield Check("standard deviation", sd, float(found.variance[0]) ** 0.5, sd_off * sd)
    yield Check("correlation of neighbours", r, float(covariance[1] / covariance[0]), max(sd_off, 1e-12))


def _swinging(level: float, length: int = 1001) -> list[float]:
    """NumAcc2 to NumAcc4: the level, then a tenth below and a tenth above it in turn."""
    return [level] + [round(level + (-0.1 if place % 2 else 0.1), 1) for place in range(1, length)]


def _pontius() -> Iterator[Check]:
    """The term in the square of the load; the residual standard deviation given as every point's uncertainty."""
    load = np.tile(np.arange(1, 21) * 150_000.0, 2)
    deflection = np.array(data.PONTIUS).ravel()
    found, u = errors_in_both.quadratic_term(load, y=deflection, u=np.full(40, 0.205177424076185e-3))
    yield Check("coefficient of the square, times 1e14", -0.316081871345029, 1e14 * found, 1e-11)
    yield Check("its standard uncertainty, times 1e14", 0.486652849992036e-2, 1e14 * u, 1e-12)


_CLOSE = (1e-9, 1e-6, 1e-4)  # relative: sum of squares, parameters, their uncertainties
_Model = Callable[[np.ndarray, np.ndarray], np.ndarray]


def _nonlinear(
    points: Groups, model: _Model, start: tuple[float, ...], certified: tuple[tuple[float, float], ...], squares: float
) -> Iterator[Check]:
    """A curve whose parameters are searched as logarithms from NIST's second start, which is nearer."""
    x, y = np.array(points).T
    found = curve.fit_curve(lambda p: model(np.exp(p), x), y=y, start=np.log(start).tolist())
    if found is None:
        raise ValueError("the search found no curve")
    yield Check("sum of squares", squares, found.squares, _CLOSE[0] * squares)
    variance = found.squares / (y.size - len(start))
    us = np.sqrt(np.diag(found.covariance(variance)))
    for place, (value, u) in enumerate(certified):
        parameter = float(np.exp(found.parameters[place]))
        yield Check(f"parameter {place + 1}", value, parameter, _CLOSE[1] * value)
        yield Check(f"its standard uncertainty {place + 1}", u, parameter * float(us[place]), _CLOSE[2] * u)


def _misra1a() -> Iterator[Check]:
    certified = ((2.3894212918e2, 2.7070075241), (5.5015643181e-4, 7.2668688436e-6))
    yield from _nonlinear(
        data.MISRA1A, lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)), (250.0, 5e-4), certified, 1.2455138894e-1
    )


def _danwood() -> Iterator[Check]:
    certified = ((7.6886226176e-1, 1.8281973860e-2), (3.8604055871, 5.1726610913e-2))
    yield from _nonlinear(data.DANWOOD, lambda b, x: b[0] * x ** b[1], (0.7, 4.0), certified, 4.3173084083e-3)


def _rat42() -> Iterator[Check]:
    certified = (
        (7.2462237576e1, 1.7340283401),
        (2.6180768402, 8.8295217536e-2),
        (6.7359200066e-2, 3.4465663377e-3),
    )
    yield from _nonlinear(
        data.RAT42, lambda b, x: b[0] / (1.0 + np.exp(b[1] - b[2] * x)), (75.0, 2.5, 0.07), certified, 8.0565229338
    )


def _inverse() -> Iterator[Check]:
    """A line through six points carried to a limit, with its prediction interval (Fieller)."""
    x = np.arange(0.0, 501.0, 100.0)
    y = np.array([10.0, 10.3, 10.5, 10.9, 11.1, 11.4])
    line = regression.fit_line(x, y=y)
    at = line.at(1000.0)
    yield Check("intercept", 10.0, line.intercept, 1e-12)
    yield Check("slope", 0.0028, line.slope, 1e-12)
    yield Check("mean at 1000, lower end", 12.5717, at.value - at.expanded, 1e-4)
    yield Check("mean at 1000, upper end", 13.0283, at.value + at.expanded, 1e-4)
    half = student.coverage_factor(4.0) * (line.scatter**2 + at.u**2) ** 0.5
    yield Check("single value at 1000, lower end", 12.5401, at.value - half, 1e-4)
    drift = replace(trend.fit_shapes(x, y=y)["linear"], effective=6.0)
    found = trend.crossing(drift, x=x, y=y, limit=12.0)
    yield Check("reaches 12 at", 714.29, found.x, 5e-3)
    yield Check("not before", 650.29, found.low, 5e-3)
    yield Check("not after", 788.83, found.high, 5e-3)


def _theil_sen() -> Iterator[Check]:
    """Sen's seven points: 21 slopes, the middle one 4, the ends 26/7 and 35/8; all pairs rise."""
    x = np.array([1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0])
    y = np.array([9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0])
    slope, low, high = trend.theil_sen(x, y=y)
    yield Check("median slope", 4.0, slope.value, 1e-12)
    yield Check("lower end, 95 %", 26.0 / 7.0, low, 1e-12)
    yield Check("upper end, 95 %", 35.0 / 8.0, high, 1e-12)
    z = 20.0 / (7.0 * 6.0 * 19.0 / 18.0) ** 0.5
    yield Check("probability by chance", float(2.0 * special.ndtr(-z)), trend.kendall_p(x, y=y), 1e-12)


def _tost() -> Iterator[Check]:
    first, second = (10.2, 10.5, 9.9, 10.1, 10.4, 10.0), (10.3, 10.6, 10.1, 10.2, 10.5, 10.4)
    found = equivalence.equivalence(first, second, margin=0.5)
    yield Check("probability, variances apart", 0.0107774, found.p, 1e-7)
    yield Check("lower end, 90 %", -0.387992, found.low, 1e-6)
    yield Check("upper end, 90 %", 0.054658, found.high, 1e-6)
    yield Check("pooled", 0.0103799, equivalence.equivalence(first, second, margin=0.5, pooled=True).p, 1e-7)


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


def _grouped(groups: tuple[tuple[float, ...], ...]) -> Grouped:
    values = np.concatenate([np.asarray(group) for group in groups])
    return one_way.summarise(values, group=np.repeat(np.arange(len(groups)), [len(group) for group in groups]))


CASES = (
    Case("norris", "straight line", "regression.fit_line", f"{NIST}: Norris", _norris),
    Case("sirstv", "one-way analysis of variance", "one_way.anova", f"{NIST}: SiRstv", _sirstv),
    Case("atmwtag", "one-way analysis of variance", "one_way.anova", f"{NIST}: AtmWtAg", _atmwtag),
    *(
        Case(
            f"smls0{number}",
            "one-way analysis of variance",
            "one_way.anova",
            f"{NIST}: SmLs0{number}",
            partial(_smls, constant, size, tolerance),
        )
        for number, constant, size, tolerance in (
            (1, 1.0, 21, 1e-9),
            (2, 1.0, 201, 1e-9),
            (3, 1.0, 2001, 1e-7),
            (4, 1e6, 21, 1e-6),
            (5, 1e6, 201, 1e-5),
            (6, 1e6, 2001, 1e-4),
            (7, 1e12, 21, 1e-2),
            (8, 1e12, 201, 1e-1),
            (9, 1e12, 2001, 1.0),
        )
    ),
    Case(
        "numacc1",
        "mean, deviation, memory",
        "one_way.summarise, autocorrelation",
        f"{NIST}: NumAcc1",
        lambda: _univariate((10_000_001.0, 10_000_003.0, 10_000_002.0), 10_000_002.0, 1.0, -0.5, 1e-14),
    ),
    *(
        Case(
            f"numacc{number}",
            "mean, deviation, memory",
            "one_way.summarise, autocorrelation",
            f"{NIST}: NumAcc{number}",
            partial(_univariate, _swinging(level), level, 0.1, -0.999, off),
        )
        for number, level, off in ((2, 1.2, 1e-12), (3, 1_000_000.2, 1e-8), (4, 10_000_000.2, 1e-7))
    ),
    Case(
        "michelson",
        "mean, deviation, memory",
        "one_way.summarise, autocorrelation",
        f"{NIST}: Michelso",
        lambda: _univariate(data.MICHELSON, 299.852400, 0.0790105478190518, 0.535199668621283, 1e-11),
    ),
    Case("pontius", "term in the square", "errors_in_both.quadratic_term", f"{NIST}: Pontius", _pontius),
    Case("misra1a", "curve by least squares", "curve.fit_curve", f"{NIST}: Misra1a", _misra1a),
    Case("danwood", "curve by least squares", "curve.fit_curve", f"{NIST}: DanWood", _danwood),
    Case("rat42", "curve by least squares", "curve.fit_curve", f"{NIST}: Rat42", _rat42),
    Case(
        "inverse",
        "when a limit is reached",
        "trend.crossing",
        "E. J. Williams, Regression Analysis (1959), section 6; agrees with statsmodels and a root finder",
        _inverse,
    ),
    Case(
        "theil-sen",
        "robust slope",
        "trend.theil_sen",
        "P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, worked example; agrees with scipy; Kendall by hand",
        _theil_sen,
    ),
    Case("tost", "the same within a margin", "equivalence.equivalence", "Schuirmann 1987; as statsmodels", _tost),
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
