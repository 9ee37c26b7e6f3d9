"""Plan batches, finish them, give them up, make formulations of exploratory ones."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.cases.services import refuse_if_held
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, locked, state_words
from lims.core.quantities import MICROGRAM, show_mass, to_microgram
from lims.formulations.models import Batch, BatchLine, Formulation, FormulationVersion
from lims.formulations.selectors import content_of, resolution_of, reworks_decided, sheet_of, step_content
from lims.formulations.services.correcting import rounded_to
from lims.formulations.services.parts import LineSpec, StepSpec, check_lines, check_steps, check_total
from lims.formulations.services.planning import give_back, keep_stock
from lims.formulations.services.versions import create_formulation
from lims.formulations.states import BATCH_MACHINE, BatchState, VersionState
from lims.materials.models import Material

PROMOTED_FROM = (BatchState.MADE, BatchState.UNDER_TEST)


@act("batch.plan")
def plan_batch(
    recipe: FormulationVersion,
    *,
    actor: User,
    target_mass: Decimal,
    name: str = "",
    balance: str = "",
    parent: Batch | None = None,
) -> Batch:
    """Plan a batch of an approved version at `target_mass` [kg]: it keeps its own copy of the recipe, and stock.

    `balance`: the targets are rounded to its resolution. `parent`: the batch that is made anew.
    """
    _check_mass(target_mass)
    version = locked(recipe)
    if version.state != VersionState.APPROVED:
        raise Conflict(
            f"{version.code} is {state_words(version)}; a batch is planned from an approved version.",
            code="version-not-approved",
        )
    refuse_if_held("formulation version", version.code)
    lines = [
        LineSpec(row.material, row.fraction, row.tolerance, row.outer_tolerance)
        for row in version.lines.select_related("material")
    ]
    frozen = {**content_of(version), "digest": version.digest}
    title = name.strip() or version.formulation.name
    facts: dict[str, Any] = {"recipe": version, "name": title, "planned_by": actor, "frozen": frozen, "parent": parent}
    batch = _plan(lines, target_mass=target_mass, resolution=resolution_of(balance), **facts)
    keep_stock(batch, by=actor)
    return batch


@act("batch.plan")
def plan_exploratory_batch(
    *,
    actor: User,
    name: str,
    target_mass: Decimal,
    lines: Sequence[LineSpec],
    steps: Sequence[StepSpec] = (),
) -> Batch:
    """Plan an exploratory batch with its own lines. It can be tested and promoted, never released."""
    _check_mass(target_mass)
    if not name.strip():
        raise Invalid("Name the batch.", fields={"name": ["A name is expected."]})
    check_lines(lines)
    check_total(lines)
    check_steps(steps)
    frozen = {"code": "", "name": name.strip(), "lines": _content(lines), "steps": _steps(steps)}
    facts: dict[str, Any] = {"exploratory": True, "name": name.strip(), "planned_by": actor, "frozen": frozen}
    batch = _plan(lines, target_mass=target_mass, **facts)
    keep_stock(batch, by=actor)
    return batch


def _plan(lines: Sequence[LineSpec], *, resolution: Decimal = MICROGRAM, **facts: Any) -> Batch:
    batch = Batch(code=next_code("batch"), **facts | {"target_mass": to_microgram(facts["target_mass"])})
    batch.save()
    for position, line in enumerate(lines, start=1):
        target = rounded_to(line.fraction * batch.target_mass, resolution)
        BatchLine(
            batch=batch,
            position=position,
            material=line.material,
            target=target,
            tolerance=to_microgram(target * line.tolerance),
            outer_tolerance=to_microgram(target * line.outer_tolerance),
        ).save()
    return batch


def _content(lines: Sequence[LineSpec]) -> list[dict[str, Any]]:
    return [
        {
            "position": position,
            "material": line.material.code,
            "name": line.material.name,
            "fraction": f"{line.fraction:f}",
            "tolerance": f"{line.tolerance:f}",
            "outer_tolerance": f"{line.outer_tolerance:f}",
        }
        for position, line in enumerate(lines, start=1)
    ]


def _steps(steps: Sequence[StepSpec]) -> list[dict[str, Any]]:
    return [step_content(step, position=position) for position, step in enumerate(steps, start=1)]


def _check_mass(target_mass: Decimal) -> None:
    if not target_mass > 0:
        raise Invalid("How much is to be made?", fields={"target_mass": ["More than nothing is expected."]})


@act("batch.finish")
def finish_batch(
    batch: Batch, *, actor: User, yield_mass: Decimal, loss_mass: Decimal | None = None, reason: str = ""
) -> Batch:
    """Finish a batch whose steps are done: its yield and known losses [kg]; a low yield needs a reason."""
    fresh: Batch = advance(batch, BATCH_MACHINE, "finish")
    refuse_if_held("batch", fresh.code)
    sheet = sheet_of(fresh)
    if sheet.open_step is not None:
        raise Conflict(f"Step {sheet.open_step['position']} is not done yet.", code="steps-open")
    _check_balance(yield_mass, loss_mass or Decimal(0), sheet.weighed)
    low = yield_mass < fresh.yield_limit * sheet.weighed
    if low and not reason.strip():
        share, limit = yield_mass / sheet.weighed * 100, fresh.yield_limit * 100
        raise Invalid(
            f"The yield is {share:.1f} %; at least {limit:.1f} % is expected. Say why it is less.",
            code="yield-low",
            fields={"reason": ["A low yield needs a reason."]},
        )
    fresh.yield_mass, fresh.made_at = to_microgram(yield_mass), timezone.now()
    fresh.loss_mass = None if loss_mass is None else to_microgram(loss_mass)
    fresh.yield_reason, fresh.deviated = reason.strip(), fresh.deviated or low
    fresh.save()
    return fresh


def _check_balance(out: Decimal, lost: Decimal, weighed: Decimal) -> None:
    if out > 0 and lost >= 0 and out + lost <= weighed:
        return
    with_loss = f" with {show_mass(lost)} lost" if lost else ""
    raise Invalid(
        f"A yield of {show_mass(out)}{with_loss} cannot come from {show_mass(weighed)} weighed in.",
        code="mass-balance",
        fields={"yield_mass": [f"More than nothing and at most {show_mass(weighed)} with the losses is expected."]},
    )


@act("batch.rework")
def rework_batch(batch: Batch, *, actor: User, reason: str) -> Batch:
    """Make a batch anew: it is marked as reworked, and a new one is planned of the same version with it as parent."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A rework needs a reason."]})
    if batch.recipe is None:
        raise Conflict(f"{batch.code} is exploratory; plan another one.", code="exploratory")
    if not reworks_decided(batch):
        raise Conflict(
            f"No nonconformance of {batch.code} says rework.",
            code="no-disposition",
            next_step="Decide a nonconformance of it by rework first.",
        )
    fresh: Batch = advance(batch, BATCH_MACHINE, "rework")
    fresh.remarks = "\n".join(filter(None, (fresh.remarks, f"Reworked: {reason.strip()}")))
    fresh.save()
    lines = [
        LineSpec(row.material, row.fraction, row.tolerance, row.outer_tolerance)
        for row in batch.recipe.lines.select_related("material")
    ]
    made = _plan(
        lines,
        recipe=batch.recipe,
        name=fresh.name,
        target_mass=fresh.target_mass,
        planned_by=actor,
        frozen=fresh.frozen,
        parent=fresh,
    )
    keep_stock(made, by=actor)
    return made


@act("batch.start_test")
def start_batch_test(batch: Batch, *, actor: User) -> Batch:
    """Take a made batch into test."""
    fresh: Batch = advance(batch, BATCH_MACHINE, "start_test")
    refuse_if_held("batch", fresh.code)
    fresh.test_began_at = timezone.now()
    fresh.save()
    return fresh


@act("batch.abort")
def abort_batch(batch: Batch, *, actor: User, reason: str) -> Batch:
    """Give a batch up. What was weighed stays taken from stock."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Giving up a batch needs a reason."]})
    fresh: Batch = advance(batch, BATCH_MACHINE, "abort")
    fresh.remarks = "\n".join(filter(None, (fresh.remarks, f"Aborted: {reason.strip()}")))
    fresh.save()
    give_back(fresh, by=actor, reason="batch aborted")
    return fresh


@act("batch.promote")
def promote_batch(batch: Batch, *, actor: User, name: str, purpose: str = "") -> Formulation:
    """Make a formulation of an exploratory batch: its version 1 is a draft with the composition as made."""
    fresh = locked(batch)
    if not fresh.exploratory:
        raise Conflict(f"{fresh.code} is not exploratory; it has its formulation.", code="not-exploratory")
    if fresh.state not in PROMOTED_FROM:
        raise Conflict(f"{fresh.code} is {state_words(fresh)}; it is promoted when made.", code="wrong-state")
    steps = [StepSpec(**{k: v for k, v in step.items() if k != "position"}) for step in fresh.frozen["steps"]]
    formulation = create_formulation(
        actor=actor, name=name, purpose=purpose or f"From {fresh.code}", lines=_as_made(fresh), steps=steps
    )
    fresh.remarks = "\n".join(filter(None, (fresh.remarks, f"Promoted to {formulation.code}/1")))
    fresh.save()
    return formulation


def _as_made(batch: Batch) -> list[LineSpec]:
    """The lines as weighed, rounded to eight decimals, the rest put on the largest so that they make 1."""
    sheet = sheet_of(batch)
    standing = [line for line in sheet.lines if line.total > 0]
    planned = {line["position"]: line for line in batch.frozen["lines"]}
    fractions = [(line.total / sheet.weighed).quantize(Decimal("0.00000001")) for line in standing]
    largest = max(range(len(fractions)), key=fractions.__getitem__)
    fractions[largest] += 1 - sum(fractions, Decimal(0))
    return [
        _as_planned(line.row.material, f, planned[line.row.position])
        for line, f in zip(standing, fractions, strict=True)
    ]


def _as_planned(material: Material, fraction: Decimal, planned: dict[str, str]) -> LineSpec:
    return LineSpec(material, fraction, Decimal(planned["tolerance"]), Decimal(planned["outer_tolerance"]))
