"""What a comparison shows, as one plain mapping: the answer, every row it rests on, and all a reader must know beside.

The same mapping is drawn for a draft and frozen for a report; nothing but it goes into a paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from django.conf import settings

from lims.comparisons import bridge
from lims.comparisons.models import Comparison
from lims.comparisons.selectors import rows_of
from lims.core.display import pretty_unit
from lims.materials.models import LotProperty
from lims.rigs.models import Calibration
from lims.runs.models import Override, Reduction, Run
from lims.samples.models import Sample

CLAIMED = ("conductivity", "thermal_conductivity", "apparent_conductivity")


def laboratory() -> dict[str, str]:
    """The laboratory as papers name it."""
    return {"name": settings.LABORATORY_NAME, "address": settings.LABORATORY_ADDRESS}


def content_of_comparison(comparison: Comparison) -> dict[str, Any]:
    """Everything a report of this comparison shows, as it stands now."""
    rows, asked, digest, against = rows_of(comparison)
    samples = list(comparison.samples.select_related("batch", "lot__material").order_by("code"))
    names = {sample.code: sample.name for sample in samples}
    found = bridge.frozen(rows, asked=asked)
    reductions = list(
        Reduction.objects.filter(run__code__in=[row.run for row in rows], pk__in=_current(row.run for row in rows))
        .select_related("run__file", "run__zero__file", "run__zero_after__file", "run__rig")
        .order_by("run_id")
    )
    return {
        "kind": "comparison report",
        "comparison": comparison.code,
        "title": comparison.title,
        "question": comparison.question,
        "laboratory": laboratory(),
        "asked": found["question"],
        "method": _method(comparison),
        "ranking": found["ranking"],
        "drawing": found["drawing"],
        "summary": bridge.summary_of(found["ranking"], names),
        "samples": [_sample(sample) for sample in samples],
        "claims": _claims(samples, reductions),
        "rows": [asdict(row) for row in rows],
        "against": against,
        "inclusions": _inclusions(comparison),
        "overrides": _overrides(reductions),
        "departures": _departures(rows),
        "reductions": [_reduction(one) for one in reductions],
        "calibrations": _calibrations(reductions),
        "budget": _budget(found["ranking"], reductions, comparison.figure),
        "software": {"analysis": found["analysis"]},
        "answer": digest,
        "author": comparison.posed_by.printed_name,
    }


def _current(codes: Iterable[str]) -> list[int]:
    rows = Run.objects.filter(code__in=list(codes), current__isnull=False)
    return [pk for pk in rows.values_list("current_id", flat=True) if pk]


def _method(comparison: Comparison) -> dict[str, Any]:
    version = comparison.method_version
    effective = version.effective_from
    return {
        "code": version.code,
        "name": version.method.name,
        "surface": version.surface,
        "repeats": version.repeats,
        "since": effective.date().isoformat() if effective else "",
    }


def _sample(sample: Sample) -> dict[str, Any]:
    return {
        "code": sample.code,
        "name": sample.name,
        "origin": sample.get_origin_display(),
        "from": sample.batch.code if sample.batch else sample.lot.code if sample.lot else "",
        "taken": sample.taken_at.isoformat(),
        "condition": sample.condition,
        "kind": sample.material_kind,
    }


def _claims(samples: list[Sample], reductions: list[Reduction]) -> list[dict[str, str]]:
    """Each sample's layer, and what its supplier states of it, held against what physics allows."""
    sample_of = dict(
        Run.objects.filter(pk__in=[one.run_id for one in reductions]).values_list("pk", "application__sample__code")
    )
    layers = {sample_of[one.run_id]: one.figures for one in reductions}
    stated = _stated_by_suppliers(samples)
    found = []
    for sample in samples:
        claimed = stated.get(sample.lot_id or 0)
        judged = bridge.plausible(layers.get(sample.code, {}), kind=sample.material_kind, claimed=claimed)
        if judged:
            found.append({"sample": sample.code, "claimed": "" if claimed is None else f"{claimed:g} W/(m·K)"} | judged)
    return found


def _stated_by_suppliers(samples: list[Sample]) -> dict[int, float]:
    lots = [sample.lot_id for sample in samples if sample.lot_id]
    rows = LotProperty.objects.filter(lot__in=lots, quantity__in=CLAIMED).exclude(source=LotProperty.Source.OWN)
    return {row.lot_id: row.value for row in rows.order_by("id")}


def _inclusions(comparison: Comparison) -> list[dict[str, str]]:
    rows = comparison.inclusions.select_related("sample", "by").order_by("id")
    return [
        {"sample": row.sample.code, "reason": row.reason, "by": row.by.printed_name, "at": row.at.isoformat()}
        for row in rows
    ]


def _overrides(reductions: list[Reduction]) -> list[dict[str, str]]:
    rows = Override.objects.filter(reduction__in=reductions).select_related("reduction__run", "by").order_by("id")
    return [
        {"run": row.reduction.run.code, "flag": row.flag, "reason": row.reason, "by": row.by.printed_name}
        for row in rows
    ]


def _departures(rows: list[bridge.Row]) -> list[dict[str, str]]:
    """What departed from the method, and material that was kept longer than it should have been before its test."""
    runs = Run.objects.filter(code__in=[row.run for row in rows]).select_related("application").order_by("id")
    found = {}
    for run in runs:
        application = run.application
        if application is None:
            continue
        words = [application.departure] if application.departure else []
        if application.hold_over_hours:
            words.append(f"hold time exceeded by {application.hold_over_hours:.3g} h")
        if words:
            found[application.code] = {"application": application.code, "words": "; ".join(words)}
    return list(found.values())


def _reduction(one: Reduction) -> dict[str, Any]:
    run = one.run
    return {
        "code": one.code,
        "run": run.code,
        "rig": run.rig.code,
        "method": f"{one.method} {one.method_version}",
        "package": one.package_version,
        "libraries": one.environment,
        "began": run.started_at.isoformat() if run.started_at else "",
        "file": run.file.name if run.file else "",
        "files": dict(one.inputs),
        "setup": one.setup,
    }


def _calibrations(reductions: list[Reduction]) -> list[dict[str, str]]:
    keys = {key for one in reductions for key in one.calibrations}
    rows = Calibration.objects.filter(pk__in=keys).select_related("sensor__rig").order_by("sensor__rig_id", "id")
    return [
        {
            "rig": row.sensor.rig.code,
            "sensor": row.sensor.serial,
            "quantity": row.sensor.quantity.replace("_", " "),
            "certificate": row.certificate_number,
            "reference": row.reference,
            "u": f"{row.u:g} {pretty_unit(row.unit)}",
            "since": row.period.lower.date().isoformat() if row.period.lower else "",
            "due": row.due_on.isoformat(),
        }
        for row in rows
    ]


def _budget(ranking: Mapping[str, Any], reductions: list[Reduction], figure: str) -> dict[str, Any]:
    """The budget of the figure in one run of the best sample: what the uncertainty of a single result is made of."""
    best = next(iter((*ranking["ranking"], *ranking["provisional"])), None)
    of_best = [one for one in reductions if best and one.run.code in best["result_ids"]]
    chosen = next((one for one in of_best if one.result.get("budget", {}).get(figure)), None)
    if chosen is None:
        return {}
    lines = chosen.result["budget"][figure]
    return {
        "run": chosen.run.code,
        "lines": [{key: line.get(key) for key in ("source", "u", "share", "kind", "common")} for line in lines],
    }
