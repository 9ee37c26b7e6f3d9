"""What a lot or a batch is like against its limits, and what is missing before quality can decide."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import QuerySet

from lims.cases.selectors import open_nonconformances, standing_holds
from lims.core.machines import state_words
from lims.core.quantities import from_si, spread_from_si
from lims.formulations.models import Batch
from lims.formulations.selectors import lots_in_batch, took_part_in_batch
from lims.materials.models import Lot, LotProperty
from lims.materials.selectors import standing_of
from lims.materials.states import USABLE
from lims.quality.bridge import NOT_EVALUABLE, Judged, judge_value, mean, measured_of
from lims.quality.models import Decision, Verdict
from lims.runs.selectors.batches import figures_of_batch, people_behind_batch
from lims.specifications.models import Limit, SpecificationVersion
from lims.specifications.selectors import dimension_of, in_force, label_of, shown_unit_of

ORDER = ("pass", "conditional_pass", "conditional_fail", "fail", NOT_EVALUABLE)
FAILED = ("fail", "conditional_fail")


@dataclass(frozen=True, slots=True)
class Evidence:
    """One result as it is judged: SI value, standard uncertainty, degrees of freedom, and the code it is known by."""

    quantity: str
    value: float
    u: float | None
    dof: float | None
    code: str
    method_id: int | None = None

    @property
    def measured(self) -> Any:
        """The result as it is judged; None without its uncertainty."""
        return measured_of(self.value, self.u, self.dof)


@dataclass(frozen=True, slots=True)
class Judgement:
    """One limit judged now: by the worst of its results or, where the limit says so, by their mean."""

    limit: Limit
    version: SpecificationVersion
    judged: Judged
    worst: Evidence | None
    evidence: tuple[str, ...] = ()

    @property
    def outcome(self) -> str:
        return self.judged.outcome

    @property
    def label(self) -> str:
        return label_of(self.limit.quantity)

    @property
    def unit(self) -> str:
        return shown_unit_of(self.limit.quantity)

    @property
    def value(self) -> float | None:
        """The worst value in the unit it is shown in."""
        if self.worst is None:
            return None
        return from_si(self.worst.value, unit=self.unit, of=dimension_of(self.limit.quantity))

    @property
    def u(self) -> float | None:
        """Its standard uncertainty in the unit it is shown in."""
        if self.worst is None or self.worst.u is None:
            return None
        return spread_from_si(self.worst.u, unit=self.unit, of=dimension_of(self.limit.quantity))

    @property
    def dof(self) -> float | None:
        return None if self.worst is None else self.worst.dof

    @property
    def probability(self) -> float | None:
        return self.judged.probability

    @property
    def wrong_acceptance(self) -> float | None:
        """The probability that accepting would be wrong."""
        return None if self.judged.probability is None else 1.0 - self.judged.probability

    @property
    def message(self) -> str:
        """The verdict in a sentence."""
        words = self.outcome.replace("_", " ")
        return f"{self.label}, {self.limit.as_entered}: {words}" + (f", {self.judged.why}" if self.judged.why else "")


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that stands between a record and its release. `by_reason`: a stated reason is enough."""

    code: str
    words: str
    by_reason: bool = False


@dataclass(slots=True)
class Standing:
    """Where a lot or a batch stands before quality's decision."""

    versions: list[SpecificationVersion]
    judgements: list[Judgement]
    missing: list[Missing] = field(default_factory=list)

    @property
    def blocking(self) -> list[Missing]:
        """What no reason can set aside."""
        return [item for item in self.missing if not item.by_reason]

    @property
    def need_a_reason(self) -> list[Missing]:
        """What a stated reason sets aside."""
        return [item for item in self.missing if item.by_reason]

    @property
    def failed(self) -> list[Judgement]:
        """Limits that failed, conditionally or not."""
        return [judgement for judgement in self.judgements if judgement.outcome in FAILED]


def results_for_lot(lot: Lot) -> list[Evidence]:
    """Our own results of a lot; a supplier's certificate is never judged in their place."""
    rows = lot.properties.filter(source=LotProperty.Source.OWN, replaced_by__isnull=True).order_by("id")
    return [Evidence(row.quantity, row.value, row.u, row.dof, f"result {row.pk}") for row in rows]


def results_for_batch(batch: Batch) -> list[Evidence]:
    """The figures of the reductions that stand for the batch's samples, one an application."""
    return [
        Evidence(f.quantity, f.value, f.u, f.dof, f.reduction, method_id=f.method_id) for f in figures_of_batch(batch)
    ]


def judge_by(version: SpecificationVersion, results: Iterable[Evidence]) -> list[Judgement]:
    """Judge results by every limit of a version."""
    found = list(results)
    return [_judgement(version, limit, found) for limit in version.limits.all()]


def _judgement(version: SpecificationVersion, limit: Limit, results: Sequence[Evidence]) -> Judgement:
    about = [r for r in results if r.quantity == limit.quantity]
    fitting = [r for r in about if limit.method_id is None or r.method_id == limit.method_id]
    codes = tuple(r.code for r in fitting)
    if len(fitting) < limit.results_required:
        why = f"{len(fitting)} of {limit.results_required} results"
        if len(fitting) < len(about):
            why += f"; {len(about) - len(fitting)} by another method"
        return Judgement(limit, version, Judged(NOT_EVALUABLE, why=why), None, codes)
    if limit.basis == Limit.Basis.MEAN:
        return _judgement_of_mean(version, limit, fitting)
    judged = [(r, judge_value(r.measured, limit=limit, version=version)) for r in fitting]
    # each result is judged by itself; of one outcome the least probable is shown
    worst, verdict = max(judged, key=lambda pair: (ORDER.index(pair[1].outcome), -(pair[1].probability or 0.0)))
    return Judgement(limit, version, verdict, worst, codes)


def _judgement_of_mean(version: SpecificationVersion, limit: Limit, results: Sequence[Evidence]) -> Judgement:
    """The mean is judged; every result is named beside it, so that none is averaged away unseen."""
    found = mean([r.measured for r in results])
    judged = judge_value(found, limit=limit, version=version)
    codes = tuple(r.code for r in results)
    if found is None:
        return Judgement(limit, version, judged, None, codes)
    shown = Evidence(limit.quantity, found.value, found.u, found.dof, f"mean of {len(results)}")
    return Judgement(limit, version, judged, shown, codes)


def standing_of_lot(lot: Lot) -> Standing:
    """A lot against the specifications in force when its test began, and what is missing for its release."""
    versions = in_force(material=lot.material, at=lot.test_began_at)
    results = results_for_lot(lot)
    judgements = [j for version in versions for j in judge_by(version, results)]
    standing = Standing(versions, judgements)
    standing.missing = [*_missing_by_rule("lot", lot.code, standing), *_missing_of_lot(lot)]
    return standing


def _missing_of_lot(lot: Lot) -> Iterable[Missing]:
    if lot.state != "under_test":
        yield Missing("not-under-test", "The lot is not under test.")
    if lot.expired:
        yield Missing("lot-expired", f"The lot expired on {lot.usable_until}.")
    elif lot.retest_due:
        yield Missing("lot-retest-due", f"The lot was to be tested again by {lot.retest_on}; sign a longer life first.")
    if lot.origin in (Lot.Origin.RECEIVED, Lot.Origin.SPLIT) and not _supplier_approved(lot):
        yield Missing("supplier-not-approved", "The supplier is not approved.", by_reason=True)
    for parent in lot.parents.exclude(state__in=USABLE):
        words = f"{parent.code}, which it was made from, is {state_words(parent)}; say why the lot is good."
        yield Missing("parent-not-released", words, by_reason=True)


def _supplier_approved(lot: Lot) -> bool:
    return lot.supplier is not None and standing_of(lot.supplier, lot.material).approved


def standing_of_batch(batch: Batch) -> Standing:
    """A batch against the specifications in force when its test began, and what is missing for its release."""
    formulation = batch.recipe.formulation if batch.recipe else None
    versions = in_force(formulation=formulation, at=batch.test_began_at) if formulation else []
    results = results_for_batch(batch)
    standing = Standing(versions, [j for version in versions for j in judge_by(version, results)])
    standing.missing = [*_missing_by_rule("batch", batch.code, standing), *_missing_of_batch(batch)]
    return standing


def _missing_of_batch(batch: Batch) -> Iterable[Missing]:
    if batch.exploratory:
        yield Missing("exploratory", "An exploratory batch is never released.")
    if batch.state != "under_test":
        yield Missing("not-under-test", "The batch is not under test.")
    if batch.deviated:
        yield Missing("deviated", "The batch deviates from its recipe; say why it is good.", by_reason=True)
    for lot in lots_in_batch(batch):
        if lot.state not in USABLE and open_nonconformances("lot", lot.code).exists():
            yield Missing("lot-in-question", f"{lot.code} is {lot.state.replace('_', ' ')}, its case is open.")
        elif lot.state not in USABLE and not batch.exploratory:
            words = f"{lot.code} is {lot.state.replace('_', ' ')} by now; say why the batch is good."
            yield Missing("lot-not-released", words, by_reason=True)


def _missing_by_rule(kind: str, code: str, standing: Standing) -> Iterable[Missing]:
    for hold in standing_holds(kind, code):
        yield Missing("on-hold", f"On hold: {hold.reason}")
    for case in open_nonconformances(kind, code):
        yield Missing("open-nonconformance", f"{case.code} is open: {case.title}")
    if not standing.versions:
        yield Missing(
            "no-specification", "No specification is in force; say what the release rests on.", by_reason=True
        )
    for judgement in standing.judgements:
        if judgement.outcome == "conditional_pass":
            words = f"{judgement.message}; say why that is enough."
            yield Missing("conditional-pass", words, by_reason=True)
        elif judgement.outcome != "pass":
            code_ = "verdict-missing" if judgement.outcome == NOT_EVALUABLE else "verdict-failed"
            yield Missing(code_, f"{judgement.message}.")


def took_part_in_lot(lot: Lot) -> set[int | None]:
    """Who received or tested a lot."""
    own = lot.properties.filter(source=LotProperty.Source.OWN)
    return {lot.received_by_id, *own.values_list("entered_by_id", flat=True)}


def took_part(batch: Batch) -> set[int | None]:
    """Who made or tested a batch."""
    return took_part_in_batch(batch) | people_behind_batch(batch)


def verdicts_of(kind: str, code: str) -> QuerySet[Verdict]:
    """The verdicts given about one record, newest first."""
    rows = Verdict.objects.filter(subject_kind=kind, subject_code=code)
    return rows.select_related("limit__specification_version").order_by("-id")


def decisions_of(kind: str, code: str) -> QuerySet[Decision]:
    """Quality's decisions on one record, newest first."""
    rows = Decision.objects.filter(subject_kind=kind, subject_code=code)
    return rows.select_related("by", "signature").order_by("-id")


def would_change(version: SpecificationVersion, *, limit: int = 200) -> list[tuple[str, str, str]]:
    """Released lots or batches that would fail under this version: code, what, outcome. Old verdicts stay."""
    specification = version.specification
    subjects: Iterable[Any] = (
        Lot.objects.filter(material=specification.material, state__in=USABLE)
        if specification.material_id
        else Batch.objects.filter(recipe__formulation=specification.formulation, state__in=USABLE)
    )
    found = []
    for subject in list(subjects.order_by("-id")[:limit]):  # type: ignore[attr-defined]
        results = results_for_lot(subject) if isinstance(subject, Lot) else results_for_batch(subject)
        for judgement in judge_by(version, results):
            if judgement.outcome in FAILED:
                found.append((subject.code, judgement.label, judgement.outcome))
    return found
