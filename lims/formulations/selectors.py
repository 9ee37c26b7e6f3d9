"""Read formulations and batches. Composition is shown only to those who may read recipes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import Count, Exists, OuterRef, Prefetch, Q, QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.models import Hold, Nonconformance
from lims.core.codes import expect_kind, parse_code
from lims.core.errors import NotFound, Refusal
from lims.core.finding import by_code
from lims.core.quantities import MICROGRAM, from_si, show_mass, spread_from_si
from lims.formulations.bridge import Conducting as Conducting
from lims.formulations.bridge import Volumes, volumes_of
from lims.formulations.bridge import conducting_of as conducting_of
from lims.formulations.bridge import cost_of as cost_of
from lims.formulations.bridge import explored as explored
from lims.formulations.bridge import mass_fractions_of as mass_fractions_of
from lims.formulations.bridge import read_lines as read_lines
from lims.formulations.bridge import text_of_upload as text_of_upload
from lims.formulations.kinds import TESTS, ProcessTest, shown_settings
from lims.formulations.models import (
    Batch,
    BatchLine,
    BatchTest,
    BenchEquipment,
    Formulation,
    FormulationVersion,
    SetAside,
    StepRecord,
    StepStart,
    Weighing,
)
from lims.formulations.states import BatchState, VersionState


def get_formulation_for(user: User, code: str) -> Formulation:
    """One formulation, for those who may read recipes."""
    require(user, "recipe.read")
    return by_code(Formulation.objects.select_related("created_by"), code.partition("/")[0], "formulation")


def get_version_for(user: User, code: str) -> FormulationVersion:
    """One version by its code F-012/3; F-012 alone gives the newest."""
    require(user, "recipe.read")
    rows = FormulationVersion.objects.select_related("formulation", "author", "approved_by", "parent")
    plain = expect_kind(code, "formulation")
    if "/" in plain:
        return by_code(rows, plain, "formulation")
    found = rows.filter(formulation__code=plain).order_by("-number").first()
    if found is None:
        raise NotFound(f"There is no formulation {plain}.")
    return found


def get_batch_for(user: User, code: str) -> Batch:
    """One batch, for those who may read the laboratory's records; its lines come from `sheet_of`."""
    require(user, "laboratory.read")
    rows = batches_with_holds().select_related("recipe__formulation", "planned_by", "parent")
    found: Batch = by_code(rows, code, "batch")
    return found


def formulations(*, text: str = "") -> QuerySet[Formulation]:
    """Formulations with their versions, newest first."""
    rows = Formulation.objects.select_related("created_by").order_by("-id")
    if text:
        rows = rows.filter(Q(name__icontains=text) | Q(code__iexact=text.partition("/")[0]))
    newest = FormulationVersion.objects.select_related("author").order_by("-number")
    return rows.prefetch_related(Prefetch("versions", newest)).annotate(batch_count=Count("versions__batches"))


def approved_versions() -> QuerySet[FormulationVersion]:
    """The versions a batch can be planned from."""
    rows = FormulationVersion.objects.filter(state=VersionState.APPROVED)
    return rows.select_related("formulation").order_by("formulation__name")


def versions_to_approve() -> QuerySet[FormulationVersion]:
    """Versions that wait for approval, oldest first."""
    return FormulationVersion.objects.filter(state=VersionState.IN_REVIEW).select_related("formulation", "author")


def batches_with_holds() -> QuerySet[Any]:
    """Batches with `held`."""
    holds = Hold.objects.filter(subject_kind="batch", subject_code=OuterRef("code"), lifted_at=None)
    return Batch.objects.annotate(held=Exists(holds))


def batches(*, text: str = "", state: str = "") -> QuerySet[Any]:
    """Batches, newest first, narrowed by code or name, by state."""
    rows = batches_with_holds().select_related("recipe__formulation", "planned_by").order_by("-id")
    if text:
        rows = rows.filter(_matching(text))
    return rows.filter(state=state) if state in BatchState.values else rows


def _matching(text: str) -> Q:
    try:
        return Q(code=expect_kind(text, "batch"))
    except Refusal:
        return Q(name__icontains=text) | Q(recipe__formulation__code__iexact=text) | Q(recipe__code__iexact=text)


def batches_in_work(user: User) -> QuerySet[Any]:
    """Batches a person has in hand: planned by them or weighed by them, not yet made."""
    states = (BatchState.PLANNED, BatchState.WEIGHING, BatchState.PROCESSING)
    mine = Q(planned_by=user) | Q(lines__weighings__by=user)
    return batches_with_holds().filter(mine, state__in=states).distinct().order_by("-id")


def batches_to_decide() -> QuerySet[Any]:
    """Batches that wait for quality, oldest first."""
    return batches_with_holds().filter(state__in=(BatchState.MADE, BatchState.UNDER_TEST)).order_by("id")


def content_of(version: FormulationVersion) -> dict[str, Any]:
    """A version as it is signed and as a batch keeps it: plain, complete, always in the same order."""
    content = {
        "code": version.code,
        "name": version.formulation.name,
        "reason": version.reason,
        "lines": [
            {
                "position": line.position,
                "material": line.material.code,
                "name": line.material.name,
                "fraction": f"{line.fraction:f}",
                "tolerance": f"{line.tolerance:f}",
                "outer_tolerance": f"{line.outer_tolerance:f}",
            }
            for line in version.lines.select_related("material").order_by("position")
        ],
        "steps": [step_content(step) for step in version.steps.order_by("position")],
    }
    limits = limits_of(version)
    # a version without limits is signed as it always was
    return content | ({"tests": limits} if limits else {})


def limits_of(version: FormulationVersion) -> list[dict[str, Any]]:
    """The limits a version sets for in-process tests, SI."""
    rows = version.test_limits.order_by("position")
    return [{"test": row.test, "lower": row.lower, "upper": row.upper} for row in rows]


def shown_limits(limits: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Limits of in-process tests in the unit each test is shown in; "" where an end is open."""
    found = []
    for limit in limits:
        known = TESTS[limit["test"]]
        ends = {end: _shown_end(known, limit[end]) for end in ("lower", "upper")}
        words = " to ".join(filter(None, ends.values()))
        if not all(ends.values()):
            words = f"at least {words}" if ends["lower"] else f"at most {words}"
        found.append({"test": known.key, "label": known.label, "unit": known.shown, "words": words, **ends})
    return found


def _shown_end(known: ProcessTest, end: float | None) -> str:
    return "" if end is None else f"{from_si(end, unit=known.shown, of=known.dimension):.6g}"


def step_content(step: Any, *, position: int | None = None) -> dict[str, Any]:
    """One step as it is signed and as a batch keeps it."""
    names = ("instruction", "speed", "duration", "pressure", "temperature", "tolerance", "hold_point")
    return {"position": position or step.position, **{name: getattr(step, name) for name in names}}


@dataclass(frozen=True, slots=True)
class ShownLine:
    """One line of a version: percent by mass, parts per hundred of the fluid, percent by volume where known."""

    row: Any
    percent: Decimal
    parts_per_hundred: float | None
    volume_percent: float | None


@dataclass(frozen=True, slots=True)
class Composition:
    """A composition by mass and volume; `why` says why there is no volume."""

    lines: list[ShownLine]
    total: Decimal
    density: float | None
    why: str

    @property
    def missing(self) -> Decimal:
        """How many percent are missing to 100; negative: too much."""
        return Decimal(100) - self.total

    @property
    def too_much(self) -> Decimal:
        """How many percent there are beyond 100; negative: missing."""
        return -self.missing


def composition_of(version: FormulationVersion) -> Composition:
    """The lines of a version with what follows from them."""
    return composed(version.lines.select_related("material").order_by("position"))


def composed(rows: Iterable[Any]) -> Composition:
    """A composition from lines with `material` and `fraction`."""
    lines = list(rows)
    volumes = volumes_of((line.material, line.fraction) for line in lines)
    fluid = sum((line.fraction for line in lines if line.material.kind == "carrier"), Decimal(0))
    shown = [_shown(line, volumes, fluid, lines) for line in lines]
    return Composition(shown, sum((s.percent for s in shown), Decimal(0)), volumes.density, volumes.why)


def _shown(line: Any, volumes: Volumes, fluid: Decimal, lines: Sequence[Any]) -> ShownLine:
    parts = float(line.fraction / fluid * 100) if fluid else None
    phi = volumes.fractions.get(line.material.pk)
    # a material that stands in two lines has its volume shared by mass
    same = sum((other.fraction for other in lines if other.material.pk == line.material.pk), Decimal(0))
    share = None if phi is None or not same else phi * float(line.fraction / same) * 100
    return ShownLine(line, line.fraction * 100, parts, share)


@dataclass(frozen=True, slots=True)
class Difference:
    """What one line became from one version to the next, in percent points."""

    what: str
    name: str
    old: str
    new: str
    points: Decimal | None = None


def differences(old: FormulationVersion, new: FormulationVersion) -> list[Difference]:
    """Lines added, removed and changed, then steps, from `old` to `new`."""
    return [*_line_differences(old, new), *_step_differences(old, new), *_limit_differences(old, new)]


def _line_differences(old: FormulationVersion, new: FormulationVersion) -> Iterable[Difference]:
    before, after = _percents(old), _percents(new)
    for name in dict.fromkeys([*before, *after]):
        was, now = before.get(name), after.get(name)
        if was == now:
            continue
        what = "added" if was is None else "removed" if now is None else "changed"
        points = (now or Decimal(0)) - (was or Decimal(0))
        yield Difference(what, name, _percent(was), _percent(now), points)


def _percents(version: FormulationVersion) -> dict[str, Decimal]:
    found: dict[str, Decimal] = {}
    for line in version.lines.select_related("material").order_by("position"):
        found[line.material.name] = found.get(line.material.name, Decimal(0)) + line.fraction * 100
    return found


def _percent(value: Decimal | None) -> str:
    return "" if value is None else f"{value.normalize():f} %"


def _step_differences(old: FormulationVersion, new: FormulationVersion) -> Iterable[Difference]:
    before = {step.position: step for step in old.steps.all()}
    after = {step.position: step for step in new.steps.all()}
    for position in sorted({*before, *after}):
        was, now = before.get(position), after.get(position)
        old_words, new_words = (step_words(step) if step else "" for step in (was, now))
        if old_words != new_words:
            what = "added" if was is None else "removed" if now is None else "changed"
            yield Difference(what, f"step {position}", old_words, new_words)


def _limit_differences(old: FormulationVersion, new: FormulationVersion) -> Iterable[Difference]:
    before, after = (
        {row["label"]: f"{row['words']} {row['unit']}" for row in shown_limits(limits_of(version))}
        for version in (old, new)
    )
    for label in dict.fromkeys([*before, *after]):
        was, now = before.get(label, ""), after.get(label, "")
        if was != now:
            what = "added" if not was else "removed" if not now else "changed"
            yield Difference(what, f"limits of {label}", was, now)


def step_words(step: Any) -> str:
    """One step in words, in the units it is shown in."""
    parts = [step.instruction, *(f"{s.label} {s.text}" for s in shown_settings(step))]
    return ", ".join(parts) + (", second person" if step.hold_point else "")


@dataclass(slots=True)
class SheetLine:
    """One line of a batch sheet: what is to be weighed, what was, how far off it is."""

    row: BatchLine
    weighings: list[Weighing] = field(default_factory=list)
    corrected: list[Weighing] = field(default_factory=list)

    @property
    def place(self) -> str:
        """What footnotes call this line."""
        return f"line {self.row.position}"

    @property
    def total(self) -> Decimal:
        """What stands weighed [kg]."""
        return sum((w.net for w in self.weighings), Decimal(0))

    @property
    def left(self) -> Decimal:
        """What is still to be weighed [kg]; negative: too much."""
        return Decimal(self.row.target - self.total)

    @property
    def off_percent(self) -> Decimal:
        """How far the sum is from the target, in percent of the target."""
        return Decimal((self.total / self.row.target - 1) * 100)

    @property
    def low(self) -> Decimal:
        return Decimal(self.row.target - self.row.tolerance)

    @property
    def high(self) -> Decimal:
        return Decimal(self.row.target + self.row.tolerance)

    @property
    def within(self) -> bool:
        """Whether the sum lies within the tolerance."""
        return self.low <= self.total <= self.high

    @property
    def done(self) -> bool:
        """Whether the line needs no more: within tolerance, accepted with a reason, or skipped with one."""
        accepted = bool(self.weighings) and self.weighings[-1].deviates and bool(self.weighings[-1].reason)
        return bool(self.row.skipped_reason) or (bool(self.weighings) and (self.within or accepted))

    @property
    def unchecked(self) -> list[Weighing]:
        """Typed weighings that no second person has looked at yet."""
        return [w for w in self.weighings if not w.captured and not hasattr(w, "check_by_second")]


@dataclass(frozen=True, slots=True)
class MadeLine:
    """One material as it was weighed: its share as planned and as made, in percent."""

    name: str
    planned: Decimal
    made: Decimal


@dataclass(slots=True)
class Sheet:
    """A batch sheet: lines, steps, and which of them is open now."""

    lines: list[SheetLine]
    steps: list[dict[str, Any]]
    done: dict[int, StepRecord]

    @property
    def open_line(self) -> SheetLine | None:
        """The first line that is not done."""
        return next((line for line in self.lines if not line.done), None)

    @property
    def open_step(self) -> dict[str, Any] | None:
        """The first step that is not done."""
        return next((step for step in self.steps if step["position"] not in self.done), None)

    @property
    def unchecked(self) -> list[Weighing]:
        """Typed weighings that no second person has looked at yet."""
        return [weighing for line in self.lines for weighing in line.unchecked]

    @property
    def weighed(self) -> Decimal:
        """Everything that stands weighed [kg]."""
        return sum((line.total for line in self.lines), Decimal(0))

    @property
    def as_made(self) -> list[MadeLine]:
        """The composition as it was weighed, every line anew."""
        planned, made = sum((line.row.target for line in self.lines), Decimal(0)), self.weighed
        if not planned or not made:
            return []
        return [
            MadeLine(line.row.material.name, line.row.target / planned * 100, line.total / made * 100)
            for line in self.lines
        ]


def sheet_of(batch: Batch) -> Sheet:
    """The batch sheet as it stands. Only for those who may read recipes, and for the services."""
    rows = batch.lines.select_related("material").order_by("position")
    lines = {row.pk: SheetLine(row) for row in rows}
    weighings = Weighing.objects.filter(line__batch=batch).select_related(
        "lot", "by", "replaces", "check_by_second__by", "line__batch"
    )
    replaced = {w.replaces_id for w in weighings if w.replaces_id}
    for weighing in weighings:
        line = lines[weighing.line_id]
        (line.corrected if weighing.pk in replaced else line.weighings).append(weighing)
    records = batch.steps_done.select_related("by", "seen_by")
    return Sheet(list(lines.values()), list(batch.frozen.get("steps", [])), {r.position: r for r in records})


def latest_entries(batch: Batch) -> list[Weighing]:
    """The last weighings of a batch, newest first: what those who work on it at once see of each other."""
    rows = Weighing.objects.filter(line__batch=batch).select_related("line__material", "lot", "by", "replaces")
    return list(rows.order_by("-id")[:6])


def took_part_in_batch(batch: Batch) -> set[int | None]:
    """Everybody who had a hand in a batch: planned, weighed, did a step."""
    people: set[int | None] = {batch.planned_by_id}
    people |= set(Weighing.objects.filter(line__batch=batch).values_list("by_id", flat=True))
    people |= set(batch.steps_done.values_list("by_id", flat=True))
    return people


def lots_in_batch(batch: Batch) -> list[Any]:
    """The lots weighed into a batch, each once, in the order of weighing; corrected weighings left out."""
    rows = Weighing.objects.filter(line__batch=batch, replaced_by__isnull=True).select_related("lot__material")
    return list({w.lot_id: w.lot for w in rows.order_by("id")}.values())


def newer_version_of(batch: Batch) -> FormulationVersion | None:
    """The approved version that came after the one this batch was made from, where there is one."""
    if batch.recipe is None:
        return None
    newer = batch.recipe.formulation.versions.filter(state=VersionState.APPROVED, number__gt=batch.recipe.number)
    return newer.order_by("-number").first()


def get_weighing_of(batch: Batch, number: int) -> Weighing:
    """One weighing of a batch by its number."""
    found = Weighing.objects.filter(line__batch=batch, pk=number).select_related("line__batch", "lot").first()
    if found is None:
        raise NotFound(f"{batch.code} has no weighing {number}.")
    return found


def get_line_of(batch: Batch, position: int) -> BatchLine:
    """One line of a batch by its position."""
    found = batch.lines.filter(position=position).select_related("material", "batch").first()
    if found is None:
        raise NotFound(f"{batch.code} has no line {position}.")
    return found


def made_today() -> QuerySet[Batch]:
    """Batches finished today."""
    return Batch.objects.filter(made_at__date=timezone.localdate())


def resolution_of(balance: str) -> Decimal:
    """What a balance of the list can show [kg]; a microgram where it is not known."""
    row = BenchEquipment.objects.filter(code=balance.strip().upper()).first() if balance.strip() else None
    return row.resolution if row and row.resolution else MICROGRAM


EQUIPMENT_KINDS = BenchEquipment.Kind.choices


def equipment(*, kind: str = "", text: str = "") -> QuerySet[BenchEquipment]:
    """The equipment at the bench, by code."""
    rows = BenchEquipment.objects.order_by("code")
    if text:
        rows = rows.filter(Q(name__icontains=text) | Q(code__iexact=text) | Q(serial__icontains=text))
    return rows.filter(kind=kind) if kind else rows


def calibrations_of(row: BenchEquipment) -> QuerySet[Any]:
    """The calibrations of a piece of equipment, newest first."""
    return row.calibrations.select_related("by", "file").order_by("-id")


def uses_of_equipment(row: BenchEquipment, *, most: int = 30) -> list[tuple[Any, str]]:
    """The newest batches a piece of equipment was used for, and what for."""
    weighed = Batch.objects.filter(lines__weighings__balance__iexact=row.code).distinct()
    worked = Batch.objects.filter(steps_done__equipment__iexact=row.code).distinct()
    found = [*((batch, "weighed in") for batch in weighed), *((batch, "steps") for batch in worked)]
    return sorted(found, key=lambda pair: -pair[0].pk)[:most]


def why_not_fit(row: BenchEquipment) -> str:
    """Why a piece of equipment may not be used today, in a sentence; "" where it may."""
    if not row.in_service:
        return f"{row.code} is out of service: {row.state_reason}."
    if row.needs_calibration and row.calibration_due is None:
        return f"{row.code} has no calibration."
    if row.needs_calibration and row.calibration_due and row.calibration_due < timezone.localdate():
        return f"{row.code} is out of calibration: it was due on {row.calibration_due:%Y-%m-%d}."
    return ""


def get_equipment_for(user: User, code: str) -> BenchEquipment:
    """One piece of equipment by the code on its label."""
    require(user, "laboratory.read")
    found = BenchEquipment.objects.filter(code=_equipment_code(code)).first()
    if found is None:
        raise NotFound(f"There is no equipment {code}.")
    return found


def _equipment_code(text: str) -> str:
    """The plain code in what was typed or scanned; a code of another shape as it was typed."""
    try:
        return parse_code(text)[1]
    except Refusal:
        return text.strip().upper()


def reworks_decided(batch: Batch) -> bool:
    """Whether a nonconformance of a batch was decided by rework."""
    rows = Nonconformance.objects.filter(subject_kind="batch", subject_code=batch.code)
    return rows.filter(disposition="rework").exists()


def begun_at(batch: Batch, position: int) -> Any:
    """When a step was begun; None where its timer was not started."""
    found = StepStart.objects.filter(batch=batch, position=position).first()
    return found.at if found else None


@dataclass(frozen=True, slots=True)
class Note:
    """One footnote of a batch record: what was changed, from what to what, by whom, when, why."""

    number: int
    where: str
    old: str
    new: str
    by: Any
    at: Any
    why: str

    @property
    def place(self) -> str:
        """The line or the test that carries the mark."""
        return self.where.partition(",")[0]


def notes_of(batch: Batch) -> list[Note]:
    """Every value of a batch record that was changed since it was first entered, in the order of time."""
    found = [*_corrected(batch), *_retargeted(batch), *_set_aside(batch), *_retested(batch)]
    found.sort(key=lambda note: note[4])
    return [Note(number, *parts) for number, parts in enumerate(found, start=1)]


def _corrected(batch: Batch) -> Iterable[tuple[str, str, str, Any, Any, str]]:
    rows = Weighing.objects.filter(line__batch=batch, replaces__isnull=False)
    for w in rows.select_related("replaces__lot", "by", "lot", "line"):
        if w.replaces is not None:
            old = f"{show_mass(w.replaces.net)} of {w.replaces.lot.code}"
            new = f"{show_mass(w.net)} of {w.lot.code}"
            yield f"line {w.line.position}, weighed", old, new, w.by, w.at, w.reason


def _retargeted(batch: Batch) -> Iterable[tuple[str, str, str, Any, Any, str]]:
    for row in batch.rescalings.select_related("by"):
        for target in row.targets:
            if target["old"] != target["new"]:
                old, new = show_mass(Decimal(target["old"])), show_mass(Decimal(target["new"]))
                yield f"line {target['position']}, target", old, new, row.by, row.at, row.reason


def _set_aside(batch: Batch) -> Iterable[tuple[str, str, str, Any, Any, str]]:
    for row in SetAside.objects.filter(batch=batch).select_related("by", "line", "against__lot", "lot"):
        old, new = f"{show_mass(row.net)} of {row.lot.code}, set aside", show_mass(row.against.net)
        yield f"line {row.line.position}, entered twice", old, new, row.by, row.at, row.reason


def _retested(batch: Batch) -> Iterable[tuple[str, str, str, Any, Any, str]]:
    for row in batch.batchtests.filter(replaces__isnull=False).select_related("replaces", "by"):
        if row.replaces is not None:
            yield TESTS[row.test].label, row.replaces.as_entered, row.as_entered, row.by, row.at, row.reason


def tests_of(batch: Batch) -> list[dict[str, Any]]:
    """The in-process tests of a batch that stand, in the unit they are shown in."""
    rows = batch.batchtests.filter(replaced_by__isnull=True).select_related("by", "replaces")
    return [_shown_test(row) for row in rows]


def _shown_test(row: BatchTest) -> dict[str, Any]:
    known = TESTS[row.test]
    value = None if row.value is None else from_si(row.value, unit=known.shown, of=known.dimension)
    u = None if row.u is None else spread_from_si(row.u, unit=known.shown, of=known.dimension)
    figure = {"value": value, "u": u, "unit": known.shown}
    limited = row.lower is not None or row.upper is not None
    limits = shown_limits([{"test": row.test, "lower": row.lower, "upper": row.upper}])[0]["words"] if limited else ""
    return {"row": row, "label": known.label, "figure": figure, "unit": known.shown, "limits": limits}


def get_test_of(batch: Batch, number: int) -> BatchTest:
    """One in-process test of a batch by its number."""
    found = batch.batchtests.filter(pk=number).first()
    if found is None:
        raise NotFound(f"{batch.code} has no test {number}.")
    return found


def get_entry(number: int) -> BatchTest:
    """One in-process test by its number, of whichever batch."""
    found = BatchTest.objects.filter(pk=number).first()
    if found is None:
        raise NotFound(f"There is no test {number}.")
    return found


def photos_of(batch: Batch) -> QuerySet[Any]:
    """The photographs of a batch."""
    return batch.batchphotos.select_related("file", "small", "by")


def get_photo_of(batch: Batch, number: int) -> Any:
    """One photograph of a batch."""
    found = photos_of(batch).filter(pk=number).first()
    if found is None:
        raise NotFound(f"{batch.code} has no photograph {number}.")
    return found


@dataclass(frozen=True, slots=True)
class MassBalance:
    """What went in, what is known to be lost, what came out [kg]; the rest is unexplained."""

    given: Decimal
    lost: Decimal
    made: Decimal
    limit: Decimal

    @property
    def unexplained(self) -> Decimal:
        return self.given - self.lost - self.made

    @property
    def yield_percent(self) -> Decimal:
        return self.made / self.given * 100

    @property
    def low(self) -> bool:
        return self.made < self.limit * self.given


def mass_balance_of(batch: Batch, sheet: Sheet) -> MassBalance | None:
    """The mass balance of a made batch."""
    if batch.yield_mass is None or not sheet.weighed:
        return None
    return MassBalance(sheet.weighed, batch.loss_mass or Decimal(0), batch.yield_mass, batch.yield_limit)
