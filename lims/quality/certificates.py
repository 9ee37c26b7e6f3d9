"""Certificates of analysis: what one shows of a released lot or batch, and what is missing before one can be issued.

What a certificate says follows ISO/IEC 17025:2017, 7.8.2.1 (a to p), 7.8.3 and 7.8.6.2. A recipe is never shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.db.models import QuerySet

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.selectors import concession_of, open_nonconformances, standing_holds
from lims.core.errors import NotFound
from lims.core.machines import state_words
from lims.core.quantities import from_si, spread_from_si
from lims.formulations.models import Batch
from lims.formulations.selectors import get_batch_for, lots_in_batch
from lims.materials.models import Lot, LotProperty
from lims.materials.selectors import get_lot_for
from lims.materials.states import USABLE
from lims.quality.models import Certificate, Decision, Verdict
from lims.quality.selectors import decisions_of
from lims.runs.models import Run
from lims.runs.selectors.batches import figures_of_batch
from lims.runs.states import ReductionState
from lims.samples.models import Sample
from lims.signatures.freezing import content_of, signed_line
from lims.specifications.selectors import dimension_of, label_of, shown_unit_of

READ = "certificate.read"
MAIN = ("temperature_rise", "thermal_impedance", "gap", "apparent_conductivity")
GRANTED = (Decision.Outcome.RELEASE, Decision.Outcome.CONCESSION)


@dataclass(frozen=True, slots=True)
class Asked:
    """For whom a certificate is, and what its paper says besides the results."""

    customer: str
    customer_contact: str
    sampling: str
    remarks: str = ""


Subject = Lot | Batch


def certificates_for(user: User) -> QuerySet[Certificate]:
    """The certificates this person may see, newest first; they name customers."""
    require(user, READ)
    return Certificate.objects.select_related("author", "signature", "superseded_by", "supersedes", "paper")


def get_certificate_for(user: User, code: str) -> Certificate:
    """One certificate by number and issue, where this person may see it; a number alone means its newest issue."""
    rows = certificates_for(user)
    found = rows.filter(code=code).first() or rows.filter(number=code).order_by("-issue").first()
    if found is None:
        raise NotFound(f"There is no certificate {code}.")
    return found


def certificates_about(user: User, kind: str, code: str) -> list[Certificate]:
    """The certificates of one lot or batch; none for those who may not read them."""
    if not user.may(READ):
        return []
    return list(certificates_for(user).filter(subject_kind=kind, subject_code=code))


def subject_for(user: User, kind: str, code: str) -> Subject:
    """The lot or batch a certificate is about."""
    if kind not in ("lot", "batch"):
        raise NotFound(f"There are no certificates of a {kind}; only of a lot or a batch.")
    return get_lot_for(user, code) if kind == "lot" else get_batch_for(user, code)


# What is missing --------------------------------------------------------------------------------------------------


def blocking(subject: Subject) -> list[str]:
    """Why no certificate can be issued, each in a sentence; empty where one can."""
    return [*_by_state(subject), *_by_cases(subject), *_by_content(subject)]


def _by_state(subject: Subject) -> Iterable[str]:
    if isinstance(subject, Batch) and subject.exploratory:
        yield f"{subject.code} is exploratory; it is never released, so that no certificate says it conforms."
    if subject.state not in USABLE:
        yield f"{subject.code} is {state_words(subject)}; a certificate needs a release or a concession."
    elif granting(subject) is None:
        yield f"No signed decision lets {subject.code} go; a certificate rests on one."


def _by_cases(subject: Subject) -> Iterable[str]:
    for hold in standing_holds(subject.record_kind, subject.code):
        yield f"{subject.code} is on hold: {hold.reason}"
    for case in open_nonconformances(subject.record_kind, subject.code):
        yield f"{case.code} about {subject.code} is open: {case.title}"


def _by_content(subject: Subject) -> Iterable[str]:
    if not settings.LABORATORY_ADDRESS:
        yield "The laboratory's address is not set (LABORATORY_ADDRESS); every certificate carries it."
    if not _results(subject):
        yield f"{subject.code} has no results of our own."
    for row in _results(subject):
        if row["u"] is None:
            yield f"{row['label']} ({row['source']}) has no uncertainty."
            break
    decision = granting(subject)
    for verdict in decision.verdicts.select_related("limit__specification_version") if decision else ():
        if verdict.outcome == Verdict.Outcome.NOT_EVALUABLE:
            yield f"{verdict.message}; a statement of conformity needs an outcome."


def granting(subject: Subject) -> Decision | None:
    """The newest decision that let a lot or a batch go; None where the newest did not."""
    last = decisions_of(subject.record_kind, subject.code).first()
    return last if last is not None and last.outcome in GRANTED else None


# What is shown ----------------------------------------------------------------------------------------------------


def content_of_certificate(subject: Subject, asked: Asked | None = None) -> dict[str, Any]:
    """Everything a certificate of this lot or batch shows, as it stands now; without `asked` a draft's."""
    asked = asked or Asked("(not named yet)", "(not named yet)", "(not told yet)")
    decision = granting(subject)
    results = _results(subject)
    dates = sorted(row["on"] for row in results if row["on"])
    return {
        "kind": "certificate of analysis",
        "subject_kind": subject.record_kind,
        "subject": subject.code,
        "title": f"Certificate of analysis of {subject.record_kind} {subject.code}",
        "name": subject.name if isinstance(subject, Batch) else subject.material.name,
        "state": state_words(subject),
        "laboratory": {"name": settings.LABORATORY_NAME, "address": settings.LABORATORY_ADDRESS},
        "places": sorted({row["place"] for row in results if row["place"]}),
        "customer": asked.customer,
        "customer_contact": asked.customer_contact,
        "sampling": asked.sampling,
        "remarks": asked.remarks,
        "item": _item(subject),
        "samples": _samples(subject),
        "lots": [lot.code for lot in lots_in_batch(subject)] if isinstance(subject, Batch) else [subject.code],
        "results": results,
        "not_judged": _not_judged(subject),
        "verdicts": [_verdict(row) for row in _verdicts(decision)],
        "departures": _departures(subject),
        "external": _external(subject),
        "tested": [dates[0], dates[-1]] if dates else [],
        "concession": _concession(subject),
        "decision": _decision(decision),
    }


def _verdicts(decision: Decision | None) -> list[Verdict]:
    if decision is None:
        return []
    return list(decision.verdicts.select_related("limit__specification_version").order_by("id"))


def _item(subject: Subject) -> list[list[str]]:
    """Names of facts and what they are, of the item itself."""
    if isinstance(subject, Batch):
        made = subject.made_at.date().isoformat() if subject.made_at else ""
        version = subject.recipe.code if subject.recipe else ""
        return [["Batch", subject.code], ["Product", subject.name], ["Version", version], ["Made on", made]]
    return [
        ["Lot", subject.code],
        ["Material", subject.material.name],
        ["Supplier's lot number", subject.supplier_lot],
        ["Received on", subject.received_on.isoformat()],
        ["Storage condition", subject.storage],
        ["Usable until", subject.expires_on.isoformat() if subject.expires_on else ""],
    ]


def _samples(subject: Subject) -> list[dict[str, str]]:
    rows = Sample.objects.filter(batch=subject) if isinstance(subject, Batch) else Sample.objects.filter(lot=subject)
    return [
        {
            "code": row.code,
            "taken": row.taken_at.date().isoformat(),
            "place": row.place,
            "plan": row.plan,
            "condition": row.condition,
            "deviations": row.deviations,
        }
        for row in rows.order_by("id")
    ]


def _results(subject: Subject) -> list[dict[str, Any]]:
    return _of_batch(subject) if isinstance(subject, Batch) else _of_lot(subject)


def _of_lot(lot: Lot) -> list[dict[str, Any]]:
    rows = lot.properties.filter(source=LotProperty.Source.OWN, replaced_by__isnull=True).order_by("quantity", "id")
    return [
        _result(row.quantity, row.value, row.u, row.dof)
        | {
            "source": f"result {row.pk}",
            "method": row.method or "as entered",
            "on": row.entered_at.date().isoformat(),
            "place": settings.LABORATORY_NAME,
        }
        for row in rows
    ]


def _of_batch(batch: Batch) -> list[dict[str, Any]]:
    decision = granting(batch)
    wanted = {verdict.limit.quantity for verdict in _verdicts(decision)} | set(MAIN)
    figures = [one for one in figures_of_batch(batch) if one.quantity in wanted]
    runs = {run.current.code: run for run in _runs(batch) if run.current is not None}
    return [_of_run(one, runs[one.reduction]) for one in sorted(figures, key=lambda one: (one.quantity, one.reduction))]


def _of_run(one: Any, run: Run) -> dict[str, Any]:
    application = run.application
    version = application.method_version if application else None
    on = run.started_at or run.uploaded_at
    return _result(one.quantity, one.value, one.u, one.dof) | {
        "source": f"{one.application}, {run.code}",
        "method": f"{version.code} {version.method.name}" if version else "",
        "on": on.date().isoformat(),
        "place": run.rig.location,
    }


def _result(quantity: str, value: float, u: float | None, dof: float | None) -> dict[str, Any]:
    """One result in the unit it is shown in."""
    unit, of = shown_unit_of(quantity), dimension_of(quantity)
    return {
        "quantity": quantity,
        "label": label_of(quantity),
        "unit": unit,
        "value": from_si(value, unit=unit, of=of),
        "u": None if u is None else spread_from_si(u, unit=unit, of=of),
        "dof": dof,
    }


def _runs(batch: Batch) -> list[Run]:
    rows = Run.objects.filter(application__sample__batch=batch, current__state=ReductionState.REDUCED)
    return list(rows.select_related("current", "rig", "application__method_version__method").order_by("id"))


def _not_judged(subject: Subject) -> list[dict[str, Any]]:
    """Results that stay on the paper though they were not judged: a passing repeat never erases the first (NCR-04)."""
    if not isinstance(subject, Batch):
        return [
            _result(row.quantity, row.value, row.u, row.dof) | {"source": f"result {row.pk}", "why": row.reason}
            for row in subject.properties.filter(source=LotProperty.Source.OWN, replaced_by__isnull=False)
        ]
    judged = {one.reduction for one in figures_of_batch(subject)}
    wanted = {verdict.limit.quantity for verdict in _verdicts(granting(subject))} or {"thermal_impedance"}
    return [
        _result(key, one["value"], one.get("u"), one.get("dof")) | {"source": run.code, "why": _why(run)}
        for run in _runs(subject)
        if run.current is not None and run.current.code not in judged
        for key, one in sorted(run.current.figures.items())
        if key in wanted and one.get("value") is not None
    ]


def _why(run: Run) -> str:
    words = [str(run.get_state_display()), run.reason, *(str(problem.get("message", "")) for problem in run.problems)]
    flags = [flag["message"] for flag in (run.current.flags if run.current else []) if flag["severity"] == "blocks"]
    return "; ".join(word for word in (*words, *flags) if word) or "another run stands for the application"


def _verdict(row: Verdict) -> dict[str, Any]:
    limit = row.limit
    version = limit.specification_version
    entry: dict[str, Any] = {"value": None, "u": None, "unit": shown_unit_of(limit.quantity)}
    if row.value is not None:
        entry = _result(limit.quantity, row.value, row.u, None)
    return {
        "label": label_of(limit.quantity),
        "limit": limit.as_entered,
        "value": entry["value"],
        "u": entry["u"],
        "unit": entry["unit"],
        "outcome": str(row.get_outcome_display()).lower(),
        "probability": row.probability,
        "basis": str(limit.get_basis_display()).lower(),
        "evidence": list(row.evidence),
        "specification": version.code,
        "rule": f"{version.get_rule_display()}: {version.rule_words}",
    }


def _departures(subject: Subject) -> list[str]:
    found = [f"{one['code']}: {one['deviations']}" for one in _samples(subject) if one["deviations"]]
    if not isinstance(subject, Batch):
        return found
    for run in _runs(subject):
        application = run.application
        if application and application.departure:
            found.append(f"{application.code}: {application.departure}")
        if application and application.hold_over_hours:
            found.append(f"{application.code}: hold time exceeded by {application.hold_over_hours:.3g} h")
    return list(dict.fromkeys(found))


def _external(subject: Subject) -> list[dict[str, Any]]:
    """What the supplier states: shown apart and marked, never judged in the place of our own results."""
    if isinstance(subject, Batch):
        return []
    rows = subject.properties.exclude(source=LotProperty.Source.OWN).order_by("quantity", "id")
    return [_result(row.quantity, row.value, row.u, row.dof) | {"method": row.method} for row in rows]


def _concession(subject: Subject) -> str:
    found = concession_of(subject.record_kind, subject.code)
    return f"{found.scope}. {found.reason}" if found is not None and found.granted else ""


def _decision(decision: Decision | None) -> dict[str, Any]:
    """Who let it go, as signed; the reason stays in the laboratory, for it may speak of the recipe."""
    if decision is None:
        return {}
    line = signed_line(decision.signature)
    return {"outcome": str(decision.get_outcome_display()).lower(), "name": line.name, "meaning": line.meaning} | {
        "at": decision.signature.at.isoformat(),
        "zone": decision.signature.zone,
    }


# What changed -------------------------------------------------------------------------------------------------------

NAMES = (
    ("customer", "the customer"), ("customer_contact", "the customer's contact"), ("sampling", "the sampling"),
    ("remarks", "the remarks"), ("concession", "the concession"), ("departures", "the departures"),
    ("samples", "the samples"), ("item", "the facts of the item"), ("external", "the supplier's results"),
    ("laboratory", "the laboratory's name or address"),
)  # fmt: skip


def changed_since(before: Certificate, content: Mapping[str, Any]) -> list[str]:
    """What a new issue changes, in sentences."""
    old = content_of(before)
    found = [f"{words} changed" for name, words in NAMES if old[name] != content[name]]
    found += _changed_rows(old["results"], content["results"])
    was = {one["label"]: one["outcome"] for one in old["verdicts"]}
    found += [
        f"{one['label']}: {was.get(one['label'], 'not judged')} became {one['outcome']}"
        for one in content["verdicts"]
        if was.get(one["label"]) != one["outcome"]
    ]
    return found or ["nothing that is shown"]


def _changed_rows(old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]) -> list[str]:
    before, after = ({(one["quantity"], one["source"]): one["value"] for one in rows} for rows in (old, new))
    words = []
    for count, what in (
        (len(after.keys() - before.keys()), "new"),
        (len(before.keys() - after.keys()), "no longer shown"),
        (sum(before[key] != after[key] for key in before.keys() & after.keys()), "changed"),
    ):
        if count:
            words.append(f"{count} result{'s' if count > 1 else ''} {what}")
    return words
