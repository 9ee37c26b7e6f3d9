"""Between a comparison and the analysis: plain rows in, a ranking and its figures out, ready for JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from analysis.comparing.changes import changes
from analysis.comparing.further import further
from analysis.comparing.judging import SPREADS
from analysis.comparing.level import Layer as RunLayer
from analysis.comparing.level import Level, build_of, draw_level, mean_of, mean_of_runs
from analysis.comparing.level import to_dict as level_to_dict
from analysis.comparing.matching import Condition, Conditions, Result, split
from analysis.comparing.output import to_dict
from analysis.comparing.ranking import Ranking, rank
from analysis.comparing.sentences import summarize
from analysis.errors import AnalysisError as AnalysisError
from analysis.figures.gap_map import Layer, gap_map_figure
from analysis.figures.plotly import figure_json
from analysis.figures.ranking import ranking_figure
from analysis.figures.svg import figure_svg
from analysis.figures.takes import takes_figure
from analysis.plausibility import Claim, assess, kind_of
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Flag, Measured, Severity
from analysis.units import shown, shown_difference
from analysis.version import VERSION
from lims.runs.bridge import measured

AnalysisRefused = AnalysisError
AREAS_AGREE = 0.01  # faces of one nominal size differ by less than this share
HEAT_FLOW_AGREES = 0.10  # share of the nominal heater power; what is lost to the room counts as well
COMPARED = ("temperature_rise", "thermal_impedance", "gap", "apparent_conductivity")
CONDITION_FIGURES = ("pressure", "heat_flow", "coolant_temperature")


@dataclass(frozen=True, slots=True)
class Row:
    """One run as the records know it: what it belongs to, what was computed, what speaks against it."""

    run: str
    sample: str
    application: str
    method: str
    surfaces: str
    area: float
    sha256: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    flags: Sequence[Mapping[str, Any]] = ()
    shared: Mapping[str, Any] = field(default_factory=dict)
    rig: str = ""
    overridden: tuple[str, ...] = ()
    withheld: tuple[str, ...] = ()
    day: str = ""


@dataclass(frozen=True, slots=True)
class Supposed:
    """What a reader supposes for a look at the numbers; it never enters a report. Tolerances None: the method's own.

    `spread` one of `SPREADS`; `margin` [shown unit] within which two samples count as the same.
    """

    spread: str = "test"
    margin: float | None = None
    force_tolerance: float | None = None
    heat_flow_tolerance: float | None = None
    coolant_tolerance: float | None = None

    @property
    def tolerances(self) -> bool:
        """Whether another tolerance than the method's is supposed."""
        return any(one is not None for one in (self.force_tolerance, self.heat_flow_tolerance, self.coolant_tolerance))


@dataclass(frozen=True, slots=True)
class Asked:
    """What a comparison asks: the figure, the conditions of its method, repeats, reference, confidence."""

    figure: str
    method: str
    surface: str
    area: float
    heater_power: float | None
    force: float | None
    force_tolerance: float
    coolant_temperature: float | None
    coolant_tolerance: float
    repeats: int
    reference: str
    confidence: float
    heat_flow_tolerance: float = HEAT_FLOW_AGREES


def ranked(rows: Sequence[Row], *, asked: Asked) -> dict[str, Any]:
    """The ranking with everything that was left out, and its figure for the screen."""
    ranking = _ranking(rows, asked)
    return {"ranking": to_dict(ranking), "drawing": figure_json(ranking_figure(ranking), dark=None)}


def supposed(rows: Sequence[Row], *, asked: Asked, what: Supposed) -> dict[str, Any]:
    """The ranking as a reader supposes it, with the further statistics; nothing of it is kept."""
    changed = {
        key: value
        for key in ("force_tolerance", "heat_flow_tolerance", "coolant_tolerance")
        if (value := getattr(what, key)) is not None
    }
    ranking = _ranking(rows, replace(asked, **changed), spread=what.spread)
    return {"ranking": to_dict(ranking), "further": further(ranking, margin=what.margin)}


def frozen(rows: Sequence[Row], *, asked: Asked) -> dict[str, Any]:
    """The ranking, its figure for print with the figure's own words, and the question as a data package holds it."""
    ranking = _ranking(rows, asked)
    figure = ranking_figure(ranking)
    question = {
        "figure": asked.figure,
        "reference": asked.reference or None,
        "required": asked.repeats,
        "confidence": asked.confidence,
        "conditions": [_plain(one) for one in conditions_of(asked).keys],
    }
    drawing = {"svg": figure_svg(figure), "words": figure.title, "notes": list(figure.notes)}
    return {"ranking": to_dict(ranking), "drawing": drawing, "question": question, "analysis": VERSION}


def _ranking(rows: Sequence[Row], asked: Asked, *, spread: str = "test") -> Ranking:
    return rank(
        [_result(row) for row in rows],
        conditions=conditions_of(asked),
        figure=asked.figure,
        reference=asked.reference or None,
        required=asked.repeats,
        confidence=asked.confidence,
        spread=spread,
    )


def _plain(one: Condition) -> dict[str, Any]:
    if one.nominal is None:
        return {"key": one.key, "allowed": list(one.allowed)}
    return {"key": one.key, "nominal": one.nominal, "tolerance": one.tolerance, "relative": one.relative}


def summary_of(ranking: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, list[str]]:
    """What a ranking tells in sentences, what one may claim from it and what one may not."""
    found = summarize(ranking, names={code: f"{code} {name}".strip() for code, name in names.items()})
    return {"told": list(found.told), "may": list(found.may), "may_not": list(found.may_not)}


def changes_between(before: Mapping[str, Any], after: Mapping[str, Any], *, done: bool = False) -> list[str]:
    """What a newer ranking says otherwise than a frozen one, in sentences."""
    return list(changes(before, after, done=done))


def plausible(figures: Mapping[str, Any], *, kind: str, claimed: float | None = None) -> dict[str, str] | None:
    """Whether an advertised conductivity, or without one the measured layer itself, can be: verdict and sentence."""
    needed = [figures.get(key) for key in ("gap", "thermal_impedance")]
    if None in needed:
        return None
    gap, impedance = (float(one["value"]) for one in needed if one is not None)
    known = kind if kind and kind_of(kind) else ""
    try:
        found = assess(Claim(conductivity=claimed, gap=gap, impedance=impedance, kind=known))
    except AnalysisError:
        return None
    return {"verdict": str(found.verdict), "sentence": found.sentence}


def result_of(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row of a frozen comparison as the result object that `python -m analysis compare` takes; figures in SI."""
    figures = {key: {**one, "unit": QUANTITIES[key].unit} for key, one in row["figures"].items() if key in QUANTITIES}
    name, _, number = str(row["method"]).partition("/")
    return {
        "method": {"name": name, "version": number or "1"},
        "run": {"code": row["run"], "sample": row["sample"], "application": row["application"], "rig": row["rig"]}
        | {"sha256": row["sha256"]},
        "figures": figures,
        "budget": {
            key: [
                {"source": source, "u": abs(u), "kind": "B", "sensitivity": u or None, "common": common}
                for common, source, u in lines
            ]
            for key, lines in row["shared"].items()
            if key in figures
        },
        "flags": list(row["flags"]),
        "overridden": list(row["overridden"]),
        "withheld": list(row["withheld"]),
        "conditions": {"method": row["method"], "surfaces": row["surfaces"], "area": row["area"], "rig": row["rig"]},
    }


def takes(
    rows: Mapping[str, Sequence[Mapping[str, Any]]], *, sample: str, target: str, heat_flux: float | None
) -> dict[str, Any]:
    """What `sample` would need to draw level with `target`, and its figure; `rows` hold the runs of both.

    NotComparable where no run of one of them gives what is needed.
    """
    builds = [build_of(name, [_layer(row) for row in rows.get(name, ())]) for name in (sample, target)]
    level: Level = draw_level(*builds, heat_flux=heat_flux)
    return {"takes": level_to_dict(level), "drawing": figure_json(takes_figure(level), dark=None)}


def _layer(row: Mapping[str, Any]) -> RunLayer:
    figures = row["figures"]
    pressure, heat_flow = (float(figures[key]["value"]) if figures.get(key) else None for key in CONDITION_FIGURES[:2])
    gap, impedance = (measured(figures[key]) for key in ("gap", "thermal_impedance"))
    return RunLayer(row["application"], gap, impedance, row["matched"], pressure, heat_flow)


def conditions_of(asked: Asked) -> Conditions:
    """What "matched" means by a method version."""
    keys = [
        Condition("method", allowed=(asked.method,)),
        Condition("surfaces", allowed=(asked.surface.casefold(),)),
        Condition("area", nominal=asked.area, relative=AREAS_AGREE),
    ]
    if asked.force is not None:
        keys.append(Condition("pressure", nominal=asked.force / asked.area, relative=asked.force_tolerance))
    if asked.heater_power is not None:
        keys.append(Condition("heat_flow", nominal=asked.heater_power, relative=asked.heat_flow_tolerance))
    if asked.coolant_temperature is not None:
        keys.append(
            Condition("coolant_temperature", nominal=asked.coolant_temperature, tolerance=asked.coolant_tolerance)
        )
    return Conditions(tuple(keys))


def _result(row: Row) -> Result:
    figures = {key: measured(row.figures[key]) for key in COMPARED if key in row.figures}
    conditions: dict[str, float | str] = {"method": row.method, "surfaces": row.surfaces, "area": row.area}
    conditions |= {key: word for key, word in (("rig", row.rig), ("day", row.day)) if word}
    conditions |= {key: float(row.figures[key]["value"]) for key in CONDITION_FIGURES if key in row.figures}
    return Result(
        id=row.run,
        sample=row.sample,
        application=row.application,
        figures=figures,
        conditions=conditions,
        budget={key: tuple(_line(*line) for line in lines) for key, lines in row.shared.items() if key in figures},
        flags=tuple(
            Flag(flag["code"], Severity(flag["severity"]), flag["message"], tuple(flag.get("figures", ())))
            for flag in row.flags
        ),
        overridden=row.overridden,
        withheld=row.withheld,
        digest=row.sha256,
    )


def _line(common: str, source: str, u: float) -> BudgetLine:
    return BudgetLine(source=source, u=abs(u), share=math.nan, kind="B", sensitivity=u or None, common=common)


def label_of(figure: str) -> str:
    """What a figure is called."""
    return QUANTITIES[figure].label


def spread_choices() -> list[tuple[str, str]]:
    """How the scatter between applications can be taken."""
    words = {"test": "as Levene's test says", "pooled": "pooled over the samples", "separate": "each sample's own"}
    return [(key, words[key]) for key in SPREADS]


def figure_choices() -> list[tuple[str, str]]:
    """The figures that samples can be ranked by."""
    return [(key, label_of(key)) for key in COMPARED]


@dataclass(frozen=True, slots=True)
class Best:
    """The best sample of one month under one method: its mean rise over applications, in the unit people see."""

    month: str
    sample: str
    applications: int
    figure: dict[str, Any]
    provisional: bool  # fewer applications than the method asks for


def best_by_month(rows: Sequence[Row], *, asked: Asked) -> tuple[Best, ...]:
    """The best sample of each month among the runs that match, oldest month first. Samples with the repeats that the
    method asks for go before those with fewer, which are provisional."""
    used, _ = split([_result(row) for row in rows], conditions=conditions_of(asked), figure=asked.figure)
    values: dict[tuple[str, str], dict[str, list[Any]]] = {}
    for one in used:
        key = (str(one.conditions.get("day", ""))[:7], one.sample)
        values.setdefault(key, {}).setdefault(one.application, []).append(one.figures[asked.figure])
    months: dict[str, list[tuple[bool, float, str, int, Any]]] = {}
    for (month, sample), applications in values.items():
        mean = mean_of([mean_of_runs(runs) for runs in applications.values()])
        few = len(applications) < asked.repeats
        months.setdefault(month, []).append((few, mean.value, sample, len(applications), mean))
    return tuple(
        Best(month, sample, count, told_figure(asked.figure, mean), few)
        for month, found in sorted(months.items())
        for few, _, sample, count, mean in [min(found, key=lambda one: one[:3])]
    )


def told_figure(key: str, found: Measured) -> dict[str, Any]:
    """A figure of the analysis in the unit people see."""
    dof = found.dof if math.isfinite(found.dof) else None
    return shown_figure(key, {"value": found.value, "u": found.u, "dof": dof})


SIDES = ("top center", "bottom center", "middle right", "middle left")


def gap_map(layers: Mapping[str, Mapping[str, Any]], *, heat_flux: float | None) -> dict[str, Any]:
    """The map of gap against apparent conductivity: `layers` holds the two figures by what each is called."""
    placed = [
        Layer(name, measured(figures["gap"]), measured(figures["apparent_conductivity"]))
        for name, figures in layers.items()
    ]
    drawing = figure_json(gap_map_figure(placed, heat_flux=heat_flux), dark=None)
    # the points come first, so that they get the first colour of the page's palette
    drawing["data"].sort(key=lambda trace: trace["name"] != "samples")
    for trace in drawing["data"]:
        if trace["name"] == "samples":
            trace["textposition"] = _around(trace["x"])
    return drawing


def _around(x: list[float | None]) -> list[str]:
    """Where the words of each point stand: those of neighbours on different sides, so that they can be read."""
    order = sorted(range(len(x)), key=lambda place: x[place] or 0.0)
    places = [""] * len(x)
    for nth, place in enumerate(order):
        places[place] = SIDES[nth % len(SIDES)]
    return places


def shown_figure(key: str, entry: Mapping[str, Any]) -> dict[str, Any]:
    """A figure of the records in the unit people see."""
    found = measured(entry)
    return {
        "value": shown(found.value, key),
        "u": shown_difference(found.u, key),
        "dof": entry.get("dof"),
        "k": found.k,
        "U95": shown_difference(found.expanded, key),
        "unit": QUANTITIES[key].shown,
    }
