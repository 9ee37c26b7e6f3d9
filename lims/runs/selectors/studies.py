"""Studies of runs: what the methods beside a reduction find, in one run or in several, from what stands on record.

A study is computed from the file, the zero and the setup of a run's current reduction and what was asked of the method,
and kept in the cache while that lasts: the same files, setup, options and version give the same figures at any time.
A person may keep one: then it stands under a code with its options, its reductions and its result.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from django.core.cache import cache
from django.db.models import F, QuerySet

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.codes import SHAPE
from lims.core.errors import Conflict, Invalid, NotFound, Refusal, TooLarge
from lims.core.finding import by_code
from lims.files.models import StoredFile
from lims.runs import bridge
from lims.runs.advice import advice
from lims.runs.bridge import StudyKind
from lims.runs.models import KeptStudy, Reduction, Run
from lims.runs.selectors.reductions import label_of
from lims.runs.selectors.runs import LONG, get_run_for, runs_for
from lims.runs.states import RunState

MOST_ROWS = 200_000  # of a run studied while a person waits
MOST_RUNS = 100  # in one study
MOST_OFFERED = 200  # runs to choose from
KEPT_FOR = 24 * 3600  # [s]
SPENT = (RunState.REFUSED, RunState.INVALIDATED, RunState.ABORTED)
Result = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Study:
    """What a method found: the result as the command line prints it, and what it was made from."""

    kind: StudyKind
    result: Result
    reductions: tuple[Reduction, ...]
    drawing: dict[str, Any] | None
    options: Mapping[str, str] = field(default_factory=dict)  # as typed, only those that are not empty

    @property
    def asked(self) -> list[tuple[str, str]]:
        """Each option in words, and what was typed."""
        known = {option.key: option for option in self.kind.options}
        return [
            (known[key].label, f"{text} {_unit_left_out(known[key], text)}".strip())
            for key, text in self.options.items()
        ]

    @property
    def flags(self) -> list[dict[str, Any]]:
        """The flags as people read them, blocking ones first."""
        flags = [
            {**flag, "figures": [label_of(key) for key in flag["figures"]], "what_to_do": advice(flag["code"])}
            for flag in self.result["flags"]
        ]
        return sorted(flags, key=lambda flag: flag["severity"] != "blocks")


def _unit_left_out(option: Any, text: str) -> str:
    return option.unit if option.unit and text.replace(".", "", 1).replace(",", "", 1).isdigit() else ""


def workings_of(study: Study) -> list[str]:
    """The figures of a study whose working can be shown."""
    return bridge.workings(study.result)


def working_of_study(study: Study, figure: str) -> dict[str, Any]:
    """The formulas, inputs and steps of one figure of a study; NotFound where it has no such figure."""
    try:
        return bridge.working(study.result, figure)
    except bridge.Failed as failed:
        message = str(failed.error["message"])
        raise NotFound(f"No working can be shown: {message}.", code="no-working") from failed


# Kinds ----------------------------------------------------------------------------------------------------------------


def studies_of_runs() -> list[StudyKind]:
    """The methods that take results of several runs."""
    return [kind for kind in bridge.study_kinds() if kind.of_runs]


def studies_of_one() -> list[StudyKind]:
    """The methods that take one run."""
    return [kind for kind in bridge.study_kinds() if not kind.of_runs]


def studies_of(reduction: Reduction | None) -> list[StudyKind]:
    """The methods that take one run, and whose channels this one's has."""
    if reduction is None or not reduction.inputs or not reduction.run.of_a_layer:
        return []
    return [kind for kind in bridge.study_kinds() if not kind.of_runs and not _missing(kind, reduction)]


def kind_of(method: str, *, of_runs: bool) -> StudyKind:
    """A kind of study by its key; NotFound names those that there are."""
    known = {kind.key: kind for kind in bridge.study_kinds() if kind.of_runs is of_runs}
    if method not in known:
        what = "several runs" if of_runs else "one run"
        raise NotFound(f"There is no study '{method}' of {what}; there are: {', '.join(known)}.")
    return known[method]


def _missing(kind: StudyKind, reduction: Reduction) -> list[str]:
    recorded = {channel.get("quantity") for channel in reduction.setup.get("channel", ())}
    return [label_of(quantity) for quantity in kind.needs if quantity not in recorded]


def labels_of(kind: StudyKind) -> list[str]:
    """What a kind of study needs, in words."""
    return [label_of(quantity) for quantity in kind.needs]


# One run --------------------------------------------------------------------------------------------------------------


def study_run_for(user: User, code: str, method: str, options: Mapping[str, str] | None = None) -> Study:
    """Study one run by a method, with the setup and the zero of its current reduction and the options as typed."""
    run, kind = get_run_for(user, code), kind_of(method, of_runs=False)
    reduction = _current(run)
    if not run.of_a_layer:
        raise Conflict(f"{run.code} is {run.get_kind_display()}: there is no layer in it to study.", code="no-layer")
    if missing := _missing(kind, reduction):
        raise Conflict(
            f"{run.code} has no channel for {' and '.join(missing)}; {kind.label.lower()} needs it.",
            code="channel-missing",
            next_step="Record that channel, and name it in the rig's configuration.",
        )
    typed, asked = _asked(kind, options)
    inputs = {"inputs": reduction.inputs, "setup": reduction.setup, "options": typed}
    result = _kept(kind, inputs, lambda: _compute(run, kind, reduction, asked))
    return Study(kind, result, (reduction,), bridge.study_drawing(result), typed)


def _asked(kind: StudyKind, options: Mapping[str, str] | None) -> tuple[dict[str, str], bridge.Asked]:
    """The options as typed but for empty ones, and as the method takes them; Invalid names the one that is wrong."""
    typed = {
        key: text.strip().replace(",", ".") if _is_number(kind, key) else text.strip()
        for key, text in (options or {}).items()
        if text.strip()
    }
    try:
        bridge.check_options(kind.key, typed)
    except bridge.Failed as failed:
        key, message = str(failed.error["key"]), str(failed.error["message"])
        raise Invalid(f"{key}: {message}.", fields={key: [f"{message[:1].upper()}{message[1:]}."]}) from failed
    taken = {option.key for option in kind.options if option.kind == "outcome"}
    texts = {key: text for key, text in typed.items() if key not in taken}
    outcomes = {o.key: _outcome(typed[o.key], o.of, o.key) for o in kind.options if o.key in taken & set(typed)}
    return typed, bridge.Asked(texts, outcomes)


def _is_number(kind: StudyKind, key: str) -> bool:
    return any(option.key == key and option.kind == "quantity" for option in kind.options)


def _outcome(code: str, method: str, key: str) -> Result:
    kept = KeptStudy.objects.filter(code=code.upper(), method=method).first() if SHAPE.match(code.upper()) else None
    if kept is None:
        words = f"There is no kept {method} {code}."
        raise Invalid(words, fields={key: [words]})
    return dict(kept.result)


def _current(run: Run) -> Reduction:
    if run.current is None or not run.current.inputs:
        raise Conflict(
            f"{run.code} has not been read yet.",
            code="not-read-yet",
            next_step="Wait for its figures; a study is made from the same file, setup and zero.",
        )
    return run.current


def _compute(run: Run, kind: StudyKind, reduction: Reduction, asked: bridge.Asked) -> Result:
    if (run.rows or 0) > MOST_ROWS:
        raise TooLarge(
            f"{run.code} has {run.rows:,} rows; up to {MOST_ROWS:,} are studied while you wait.",
            next_step="Save the run's file, its zero and its reduction's result, and run "
            f"'python -m analysis {kind.key} RUN --setup RESULT.json --zero ZERO' on them.",
        )
    with _told(kind), bridge.workspace() as folder:
        trace, zero = (_read(reduction, role, folder) for role in ("run", "zero"))
        return bridge.study_run(kind.key, trace, reduction.setup, zero=zero, asked=asked)


def _read(reduction: Reduction, role: str, folder: Any) -> Any:
    digest = reduction.inputs.get(role)
    if not digest:
        return None
    second = bridge.second_of(reduction) if role == "run" else None
    return bridge.read_both(StoredFile.objects.get(sha256=digest), second, reduction.setup, folder)


# Several runs ---------------------------------------------------------------------------------------------------------


def study_runs_for(user: User, codes: Iterable[str], method: str, options: Mapping[str, str] | None = None) -> Study:
    """Study the current results of several runs by a method, in the order they are given."""
    kind = kind_of(method, of_runs=True)
    reductions = tuple(_current(run) for run in _chosen(user, list(dict.fromkeys(codes))))
    typed, asked = _asked(kind, options)
    inputs = {"runs": {one.code: _overridden(one) for one in reductions}, "options": typed}
    result = _kept(kind, inputs, lambda: _compute_together(kind, reductions, asked))
    return Study(kind, result, reductions, bridge.study_drawing(result), typed)


def _chosen(user: User, codes: list[str]) -> list[Run]:
    if not 0 < len(codes) <= MOST_RUNS:
        message = f"{len(codes)} runs are named; from 1 to {MOST_RUNS} are expected."
        raise Invalid(message, fields={"run": ["Name the runs: run=R-0001&run=R-0002."]})
    around = runs_for(user).defer(None).prefetch_related("current__overrides")
    # the database takes no NUL in a text, and no code holds one
    found = {run.code: run for run in around.filter(code__in=[code for code in codes if "\x00" not in code])}
    if lost := [code for code in codes if code not in found]:
        raise NotFound(f"There is no run {', '.join(lost)}.")
    return [found[code] for code in codes]


def _overridden(reduction: Reduction) -> list[str]:
    return sorted(override.flag for override in reduction.overrides.all())


def _compute_together(kind: StudyKind, reductions: tuple[Reduction, ...], asked: bridge.Asked) -> Result:
    with _told(kind):
        return bridge.study_results(
            kind.key,
            [reduction.result for reduction in reductions],
            names=[reduction.run.code for reduction in reductions],
            overridden=[_overridden(reduction) for reduction in reductions],
            asked=asked,
        )


def runs_to_study(user: User, kind: StudyKind, wanted: Mapping[str, str]) -> QuerySet[Run]:
    """The runs whose results a study can take, newest first: of a method version, a sample, a formulation.

    What the study needs stands on each as `shown_<key>`, in the units people see.
    """
    lookups = {
        "method": "application__method_version__code",
        "sample": "application__sample__code",
        "formulation": "application__sample__batch__recipe__formulation__code",
    }
    narrow = {lookup: wanted[name] for name, lookup in lookups.items() if wanted.get(name)}
    runs = runs_for(user).defer(*LONG).filter(current__figures__has_keys=list(kind.needs), **narrow)
    shown = {f"shown_{key}": F(f"current__result__figures__{key}") for key in kind.needs}
    return (
        runs.exclude(kind__in=(Run.Kind.ZERO, Run.Kind.RIG)).exclude(state__in=SPENT).annotate(**shown)[:MOST_OFFERED]
    )


# Kept -----------------------------------------------------------------------------------------------------------------


def kept_studies_for(user: User, *, method: str = "") -> QuerySet[KeptStudy]:
    """The studies that were kept, newest first."""
    require(user, "laboratory.read")
    found = KeptStudy.objects.select_related("kept_by").defer("result").order_by("-id")
    return found.filter(method=method) if method else found


def get_kept_study_for(user: User, code: str) -> KeptStudy:
    """One kept study by its code."""
    require(user, "laboratory.read")
    return by_code(KeptStudy.objects.select_related("kept_by"), code, "study")


def study_of(kept: KeptStudy) -> Study:
    """A kept study as it is shown: what was found then, not computed anew."""
    kind = next(kind for kind in bridge.study_kinds() if kind.key == kept.method)
    made = {one.code: one for one in Reduction.objects.filter(code__in=kept.reductions).select_related("run")}
    reductions = tuple(made[code] for code in kept.reductions)
    return Study(kind, kept.result, reductions, bridge.study_drawing(kept.result), kept.options)


# Cache ----------------------------------------------------------------------------------------------------------------


def _kept(kind: StudyKind, inputs: Mapping[str, Any], compute: Callable[[], Result]) -> Result:
    """What was computed from the same inputs by the same version of the method, or what `compute` gives."""
    content = json.dumps([kind.key, kind.version, inputs], sort_keys=True, default=str)
    key = "study-" + hashlib.sha256(content.encode()).hexdigest()
    result: Result | None = cache.get(key)
    if result is None:
        result = compute()
        cache.set(key, result, KEPT_FOR)
    return result


@contextmanager
def _told(kind: StudyKind) -> Iterator[None]:
    """Turn what the analysis cannot do into a refusal that names it."""
    try:
        yield
    except bridge.Failed as failed:
        raise _refusal(kind, failed) from failed


def _refusal(kind: StudyKind, failed: bridge.Failed) -> Refusal:
    where = f" ({failed.error['where']})" if failed.error["where"] else ""
    return Conflict(f"{kind.label}: {failed.error['message']}{where}.", code=str(failed.error["code"]))
