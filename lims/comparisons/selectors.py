"""Read comparisons: the ranking as it stands now, what was left out and why, the map of gap and conductivity."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from django.core.cache import cache
from django.db.models import Count, Q, QuerySet
from django.db.models.fields.json import KeyTransform
from django.db.models.functions import JSONObject

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.models import Hold, Nonconformance
from lims.cases.states import STANDING
from lims.comparisons import bridge
from lims.comparisons.bridge import AnalysisError as AnalysisError
from lims.comparisons.bridge import Asked, Row
from lims.comparisons.bridge import Supposed as Supposed
from lims.comparisons.models import Comparison
from lims.core.errors import Conflict, Invalid, NotFound
from lims.formulations.models import Weighing
from lims.materials.models import Lot
from lims.rigs.models import MethodVersion
from lims.rigs.states import MethodState
from lims.runs.models import Override, Reduction, Run
from lims.runs.states import RunState
from lims.samples.models import Sample

READ = "laboratory.read"
KEPT_SECONDS = 24 * 3600
RECKONED = 2  # counts up where the same rows give another answer
FIGURES = bridge.figure_choices()
SPREADS = bridge.spread_choices()
COUNTS = (RunState.ACCEPTED, RunState.LOCKED)
OF_THE_RIG = (Run.Kind.ZERO, Run.Kind.RIG)  # kinds of runs with no layer to compare
# what a row of the records is read by, in one query
FIELDS = (
    "pk", "code", "version", "state", "reason", "problems", "current_id", "rig__code", "file__sha256",
    "started_at", "uploaded_at",
    "application__code", "application__method_version__code", "application__method_version__state",
    "application__hot_block__finish", "application__cold_block__finish",
    "application__hot_block__area", "application__cold_block__area",
    "application__sample__code", "application__sample__batch_id", "application__sample__batch__code",
    "application__sample__batch__exploratory", "application__sample__lot__code",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Against:
    """What speaks against a record: holds and open nonconformances by (kind, code)."""

    words: Mapping[tuple[str, str], list[str]]
    lots_of: Mapping[int, set[str]]  # batch -> the lots in it, their parents included


@dataclass(frozen=True, slots=True)
class Answer:
    """A comparison's answer: `ranking` as the analysis gives it, the figure, and the records' own words beside it."""

    ranking: dict[str, Any]
    drawing: dict[str, Any]
    names: dict[str, str]
    marks: dict[str, list[str]] = field(default_factory=dict)  # sample -> why it would be left out, where included
    digest: str = ""

    @property
    def summary(self) -> dict[str, list[str]]:
        """What the ranking tells in sentences, what one may claim from it and what one may not."""
        return bridge.summary_of(self.ranking, self.names)


def comparisons_for(user: User) -> QuerySet[Comparison]:
    """The comparisons this person may see, newest first."""
    require(user, READ)
    return (
        Comparison.objects.select_related("method_version__method", "posed_by", "reference")
        .annotate(sample_count=Count("samples"))
        .order_by("-id")
    )


def get_comparison_for(user: User, code: str) -> Comparison:
    """One comparison by its code, where this person may see it."""
    found = comparisons_for(user).filter(code=code).first()
    if found is None:
        raise NotFound(f"There is no comparison {code}.")
    return found


def samples_to_compare(version: MethodVersion) -> QuerySet[Any]:
    """The samples that were put on a rig under a method version, with how many applications have an accepted run."""
    under = Q(applications__method_version=version)
    done = under & Q(applications__runs__state__in=COUNTS)
    return (
        Sample.objects.filter(under)
        .annotate(
            applied=Count("applications", filter=under, distinct=True),
            measured=Count("applications", filter=done, distinct=True),
        )
        .select_related("batch", "lot")
        .order_by("-id")
    )


# The answer -----------------------------------------------------------------------------------------------------------


def answer_of(comparison: Comparison) -> Answer:
    """The ranking as it stands now. Computed once for the same records; what changes them changes the digest."""
    light = _light_rows(comparison)
    asked = _asked(comparison)
    digest = _digest(light, asked)
    found = cache.get(f"ranking:{digest}")
    if found is None:
        found = bridge.ranked(_with_figures(light, asked.figure), asked=asked)
        cache.set(f"ranking:{digest}", found, KEPT_SECONDS)
    included = _included(comparison)
    return Answer(
        ranking=found["ranking"],
        drawing=found["drawing"],
        names=dict(comparison.samples.values_list("code", "name")),
        marks={row.row.sample: list(row.against) for row in light if row.row.sample in included and row.against},
        digest=digest,
    )


def rows_of(comparison: Comparison) -> tuple[list[Row], Asked, str, dict[str, list[str]]]:
    """Every row of a comparison with its figures, what is asked, the digest of both, and what speaks against a row."""
    light, asked = _light_rows(comparison), _asked(comparison)
    against = {one.row.run: list(one.against) for one in light if one.against}
    return _with_figures(light, asked.figure), asked, _digest(light, asked), against


@dataclass(frozen=True, slots=True)
class Light:
    """A row before its figures are fetched: what decides whether anything changed."""

    row: Row
    run: tuple[int, int]
    current: int | None
    against: tuple[str, ...]


def rows_among(runs: QuerySet[Run], figure: str) -> list[Row]:
    """The rows of any runs with their figures, judged as a comparison without inclusions judges them."""
    return _with_figures(_light_of(runs, set()), figure)


def _light_rows(comparison: Comparison) -> list[Light]:
    runs = Run.objects.filter(application__sample__comparisons=comparison).exclude(kind__in=OF_THE_RIG)
    return _light_of(runs.order_by("id"), _included(comparison))


def _light_of(runs: QuerySet[Run], included: set[str]) -> list[Light]:
    found = list(runs.values(*FIELDS))
    against = against_records({run["application__sample__batch_id"] for run in found} - {None})
    overrides = _overrides([run["current_id"] for run in found if run["current_id"]])
    return [_light(run, against, overrides, included) for run in found]


def _light(
    run: dict[str, Any], against: Against, overrides: Mapping[int, tuple[str, ...]], included: set[str]
) -> Light:
    sample = run["application__sample__code"]
    why = tuple(_against(run, against))
    row = Row(
        run=run["code"],
        sample=sample,
        application=run["application__code"],
        method=run["application__method_version__code"],
        surfaces=_surfaces(run["application__hot_block__finish"], run["application__cold_block__finish"]),
        area=min(run["application__hot_block__area"], run["application__cold_block__area"]),
        sha256=run["file__sha256"] or "",
        rig=run["rig__code"],
        overridden=overrides.get(run["current_id"], ()),
        withheld=(*_unfit(run), *(() if sample in included else why)),
        day=f"{run['started_at'] or run['uploaded_at']:%Y-%m-%d}",
    )
    return Light(row, (run["pk"], run["version"]), run["current_id"], why)


def _surfaces(hot: str, cold: str) -> str:
    hot, cold = hot.strip().casefold(), cold.strip().casefold()
    return hot if hot == cold else f"{hot} on {cold}"


def _unfit(run: dict[str, Any]) -> list[str]:
    """Why the run itself cannot count, whatever the comparison says."""
    state, problems = run["state"], "; ".join(problem["message"] for problem in run["problems"])
    words = {
        RunState.RECEIVING: "not read yet",
        RunState.CHECKING: f"not reduced yet{f': {problems}' if problems else ''}",
        RunState.REFUSED: f"its file was refused: {problems}",
        RunState.ABORTED: f"broken off: {run['reason']}",
        RunState.INVALIDATED: f"invalidated: {run['reason']}",
        RunState.UNQUALIFIED: f"unqualified: {problems}",
    }
    return [words[RunState(state)]] if state in words else []


def _against(run: dict[str, Any], against: Against) -> list[str]:
    """Why a run is left out unless it is included with a reason: an exploratory batch, a hold, an open case."""
    words = []
    if run["application__sample__batch__exploratory"]:
        words.append(f"batch {run['application__sample__batch__code']} is exploratory")
    if run["application__method_version__state"] == MethodState.RETIRED:
        words.append(f"method {run['application__method_version__code']} is retired")
    subjects = [
        ("run", run["code"]),
        ("application", run["application__code"]),
        ("sample", run["application__sample__code"]),
        ("rig", run["rig__code"]),
        ("batch", run["application__sample__batch__code"]),
        ("lot", run["application__sample__lot__code"]),
        *(("lot", lot) for lot in sorted(against.lots_of.get(run["application__sample__batch_id"], ()))),
    ]
    return words + [word for subject in subjects for word in against.words.get(subject, ())]


def against_records(batches: Iterable[int]) -> Against:
    """Every standing hold and open nonconformance, and which lots went into the batches; five queries at most."""
    words: dict[tuple[str, str], list[str]] = defaultdict(list)
    covered = set()
    for hold in Hold.objects.filter(lifted_at=None).select_related("nonconformance").order_by("id"):
        subject = (hold.subject_kind, hold.subject_code)
        covered.add((subject, hold.nonconformance_id))
        words[subject].append(f"{hold.subject_kind} {hold.subject_code} is on hold: {hold.reason}")
    for case in Nonconformance.objects.filter(state__in=STANDING).order_by("id"):
        subject = (case.subject_kind, case.subject_code)
        if (subject, case.pk) not in covered:
            words[subject].append(f"{case.code} about {case.subject_kind} {case.subject_code} is open: {case.title}")
    return Against(words, lots_in(batches))


def lots_in(batches: Iterable[int]) -> dict[int, set[str]]:
    """The lots weighed into each batch, with those they were split, blended or treated from."""
    used: dict[int, set[int]] = defaultdict(set)
    weighings = Weighing.objects.filter(line__batch__in=list(batches)).values_list("line__batch_id", "lot_id")
    for batch, lot in weighings.distinct():
        used[batch].add(lot)
    if not used:
        return {}
    parents: dict[int, set[int]] = defaultdict(set)
    for child, parent in Lot.parents.through.objects.values_list("from_lot_id", "to_lot_id"):
        parents[child].add(parent)
    all_lots = {batch: _ancestry(lots, parents) for batch, lots in used.items()}
    codes = dict(Lot.objects.filter(pk__in=set().union(*all_lots.values())).values_list("pk", "code"))
    return {batch: {codes[lot] for lot in lots} for batch, lots in all_lots.items()}


def _ancestry(lots: set[int], parents: Mapping[int, set[int]]) -> set[int]:
    found, waiting = set(lots), list(lots)
    while waiting:
        for parent in parents.get(waiting.pop(), ()):
            if parent not in found:
                found.add(parent)
                waiting.append(parent)
    return found


def _overrides(reductions: list[int]) -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    rows = Override.objects.filter(reduction__in=reductions).order_by("id").values_list("reduction_id", "flag")
    for reduction, flag in rows:
        found[reduction] = (*found.get(reduction, ()), flag)
    return found


def _included(comparison: Comparison) -> set[str]:
    return {inclusion.sample.code for inclusion in comparison.inclusions.select_related("sample")}


def _asked(comparison: Comparison) -> Asked:
    asked = asked_of(comparison.method_version)
    return replace(
        asked,
        figure=comparison.figure,
        reference=comparison.reference.code if comparison.reference else "",
        confidence=comparison.confidence,
    )


def asked_of(version: MethodVersion) -> Asked:
    """What a method version asks by itself: the temperature rise, no reference, 95 %."""
    return Asked(
        figure="temperature_rise",
        method=version.code,
        surface=version.surface.strip(),
        area=version.area,
        heater_power=version.heater_power,
        force=version.force,
        force_tolerance=version.force_tolerance,
        coolant_temperature=version.coolant_temperature,
        coolant_tolerance=version.coolant_tolerance,
        repeats=version.repeats,
        reference="",
        confidence=0.95,
    )


def _digest(light: list[Light], asked: Asked) -> str:
    """A digest of all that the answer follows from. Reductions never change, so that their keys stand for them."""
    content = [RECKONED, asdict(asked), [(one.run, one.current, one.row.overridden, one.row.withheld) for one in light]]
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _with_figures(light: list[Light], figure: str) -> list[Row]:
    """The rows with what was computed: of thousands of reductions only the parts that the ranking needs are read."""
    parts = {key: KeyTransform(key, "figures") for key in (figure, *bridge.CONDITION_FIGURES)}
    rows = (
        Reduction.objects.filter(pk__in=[one.current for one in light if one.current])
        .annotate(needed=JSONObject(**parts), common=KeyTransform(figure, "shared"))
        .values_list("pk", "needed", "flags", "common")
    )
    computed = {pk: (needed, flags, common) for pk, needed, flags, common in rows}
    return [_with(one.row, figure, *computed.get(one.current or 0, (None, (), None))) for one in light]


def _with(row: Row, figure: str, figures: Any, flags: Any, common: Any) -> Row:
    present = {key: value for key, value in (figures or {}).items() if value is not None}
    return replace(row, figures=present, flags=flags, shared={figure: common} if common else {})


# The statistics -------------------------------------------------------------------------------------------------------


def statistics_of(comparison: Comparison, what: Supposed) -> dict[str, Any]:
    """The further statistics of a comparison, under what a reader supposes; nothing of it is kept or issued."""
    light, asked = _light_rows(comparison), _asked(comparison)
    digest = _digest(light, asked)
    key = f"statistics:{digest}:{hashlib.sha256(repr(what).encode()).hexdigest()[:20]}"
    found: dict[str, Any] | None = cache.get(key)
    if found is None:
        try:
            found = bridge.supposed(_with_figures(light, asked.figure), asked=asked, what=what)
        except AnalysisError as error:
            raise Invalid(f"{str(error)[:1].upper()}{str(error)[1:]}.", code="bad-question") from error
        cache.set(key, found, KEPT_SECONDS)
    return found


# What it would take ---------------------------------------------------------------------------------------------------


def what_it_takes(comparison: Comparison, *, sample: str, target: str) -> dict[str, Any]:
    """What one sample of a comparison would need to draw level with another, and the figure of it.

    Only runs that the ranking uses make up the layers; the others tell how the impedance goes with the conditions.
    """
    known = set(comparison.samples.values_list("code", flat=True))
    for code in (sample, target):
        if code not in known:
            raise NotFound(f"{comparison.code} has no sample {code}.")
    if sample == target:
        raise Conflict(f"{sample} is level with itself.", code="same-sample", next_step="Choose two samples.")
    version = comparison.method_version
    flux = version.heater_power / version.area if version.heater_power else None
    try:
        return bridge.takes(_runs_by_sample(comparison, (sample, target)), sample=sample, target=target, heat_flux=flux)
    except AnalysisError as error:
        raise Conflict(
            f"{error}.",
            code="no-layer",
            next_step="Choose samples whose runs are ranked and give a gap and an impedance.",
        ) from error


def _runs_by_sample(comparison: Comparison, samples: Iterable[str]) -> dict[str, list[dict[str, Any]]]:
    """The accepted runs of samples that give a gap and an impedance, each with whether the ranking uses it."""
    ranking = answer_of(comparison).ranking
    used = {run for part in ("ranking", "provisional") for item in ranking[part] for run in item["result_ids"]}
    keys = ("gap", "thermal_impedance", *bridge.CONDITION_FIGURES)
    rows = (
        Run.objects.filter(application__sample__code__in=list(samples), state__in=COUNTS, current__isnull=False)
        .order_by("id")
        .values_list(
            "code",
            "application__code",
            "application__sample__code",
            JSONObject(**{key: KeyTransform(key, "current__figures") for key in keys}),
        )
    )
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for run, application, sample, figures in rows:
        if figures["gap"] and figures["thermal_impedance"]:
            found[sample].append({"application": application, "figures": figures, "matched": run in used})
    return found


# The map --------------------------------------------------------------------------------------------------------------


def gap_map_of(version: MethodVersion, samples: Iterable[str] = ()) -> dict[str, Any]:
    """Every sample measured under a method version on the map of gap against apparent conductivity: one point a sample.

    The point is the run nearest to the middle of the sample's accepted runs by impedance, with its own uncertainty.
    """
    layers = {layer.code: layer.figures for layer in layers_under(version, samples)}
    flux = version.heater_power / version.area if version.heater_power else None
    return bridge.gap_map(layers, heat_flux=flux)


@dataclass(frozen=True, slots=True)
class LayerOf:
    """One sample's layer: the middle one of its accepted runs, figures in SI."""

    code: str
    name: str
    run: str
    figures: dict[str, Any]


def layers_under(version: MethodVersion, samples: Iterable[str] = ()) -> list[LayerOf]:
    """The layers of every sample measured under a method version, or of the samples named, thinnest impedance first."""
    runs = Run.objects.filter(application__method_version=version, state__in=COUNTS, current__isnull=False)
    if chosen := list(samples):
        runs = runs.filter(application__sample__code__in=chosen)
    by_sample: dict[str, list[LayerOf]] = defaultdict(list)
    rows = runs.order_by("id").values_list(
        "application__sample__code", "application__sample__name", "code", "current__figures"
    )
    for code, name, run, figures in rows:
        if {"gap", "apparent_conductivity", "thermal_impedance"} <= set(figures):
            by_sample[code].append(LayerOf(code, name, run, figures))
    return sorted((_middle(found) for found in by_sample.values()), key=_impedance)


def _middle(found: list[LayerOf]) -> LayerOf:
    return sorted(found, key=_impedance)[len(found) // 2]


def _impedance(layer: LayerOf) -> float:
    return float(layer.figures["thermal_impedance"]["value"])


def shown_layers(layers: Iterable[LayerOf]) -> list[dict[str, Any]]:
    """The same in the units people see."""
    keys = ("gap", "apparent_conductivity", "thermal_impedance")
    return [
        {"code": one.code, "name": one.name, "run": one.run}
        | {key: bridge.shown_figure(key, one.figures[key]) for key in keys}
        for one in layers
    ]
