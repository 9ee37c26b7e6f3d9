"""The batch record as a paper: the same words and the same numbered notes as the page that is printed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from django.conf import settings
from django.utils import timezone

from lims.core.cautions import CAUTIONS, RULE
from lims.core.display import pretty_unit
from lims.core.papers import Facts, Paper, Section, Table, Words, draw_paper, figure_words
from lims.core.quantities import mass_in, show_mass
from lims.formulations import selectors
from lims.formulations.kinds import shown_settings
from lims.formulations.models import Batch
from lims.formulations.selectors import Note, Sheet, SheetLine


def draw_batch_record(batch: Batch, *, address: str, caution_keys: Iterable[str]) -> bytes:
    """The batch record as PDF; `address` is where the record stands. Only for those who may read recipes."""
    sheet, notes = selectors.sheet_of(batch), selectors.notes_of(batch)
    sections = (
        _facts(batch),
        _cautions(caution_keys),
        _weighings(sheet, notes),
        _steps(sheet),
        *_balance(batch, sheet),
        *_tests(batch, notes),
        _changes(notes),
    )
    now = timezone.now()
    return draw_paper(
        Paper(
            what="batch record",
            title=batch.name,
            laboratory=settings.LABORATORY_NAME,
            laboratory_address=settings.LABORATORY_ADDRESS,
            code=batch.code,
            subject=batch.code,
            sections=sections,
            lead=f"{batch.get_state_display()}. The record as it stood when this was printed.",
            date=f"printed {_moment(now)}",
            mark="" if batch.made_at else "not finished",
            address=address,
            at=now,
        )
    )


def _moment(at: datetime | None) -> str:
    """A moment where the laboratory is, with its offset."""
    if at is None:
        return "not yet"
    here = timezone.localtime(at)
    return f"{here:%Y-%m-%d %H:%M:%S} {here.isoformat()[-6:]}"


def _grams(kilograms: Any) -> str:
    shown = mass_in(kilograms, "g")
    return "" if shown is None else f"{shown.normalize():f}"


def _marks(notes: Sequence[Note], place: str) -> str:
    """The numbers of the notes that belong to a line or a test."""
    return "".join(f" [{note.number}]" for note in notes if note.place == place)


def _facts(batch: Batch) -> Section:
    newer = selectors.newer_version_of(batch)
    made_from = f"{batch.recipe.code}, frozen at planning" if batch.recipe else "none, exploratory"
    rows = [
        ("Made from", made_from + (f"; v{newer.number} exists" if newer else "")),
        ("Amount planned", show_mass(batch.target_mass)),
        ("Planned by", batch.planned_by.printed_name),
        ("Begun", _moment(batch.started_at)),
        ("Made", _moment(batch.made_at)),
        ("Deviation", "deviates" if batch.deviated else "none"),
    ]
    return Section("Batch", (Facts(tuple(rows)),))


def _cautions(keys: Iterable[str]) -> Section:
    found = [CAUTIONS[key] for key in dict.fromkeys(keys)]
    lines = tuple(f"{one.title}: {one.harm} {one.protect}" for one in found)
    return Section("Cautions", (*([Words(lines, "caution")] if lines else []), Words((RULE,), "quiet")))


def _weighings(sheet: Sheet, notes: Sequence[Note]) -> Section:
    rows = tuple(
        (
            str(line.row.position),
            line.row.material.name,
            _grams(line.row.target),
            (_grams(line.total) if line.weighings else "") + _marks(notes, line.place),
            "; ".join(_how(line)),
        )
        for line in sheet.lines
    )
    head = ("Line", "Material", "Target [g]", "Weighed [g]", "Lot, balance, by whom, when")
    return Section("Weighings", (Table(head, rows, numbers=(2, 3), widths=(0.6, 1.8, 1.1, 1.2, 4.5)),))


def _how(line: SheetLine) -> Iterable[str]:
    if line.row.skipped_reason:
        yield f"left out: {line.row.skipped_reason}"
    for w in line.weighings:
        parts = [f"{w.lot.code} {_grams(w.net)} g", w.balance, w.came, w.by.printed_name, _moment(w.at), w.reason]
        if w.overridden_by:
            parts.append(f"equipment allowed by {w.overridden_by.printed_name}: {w.override_reason}")
        yield ", ".join(filter(None, parts))


def _steps(sheet: Sheet) -> Section:
    rows = tuple(
        (
            str(step["position"]),
            step["instruction"],
            ", ".join(f"{t.label} {t.text}" for t in shown_settings(step)),
            *_done(sheet.done.get(step["position"])),
        )
        for step in sheet.steps
    )
    head = ("No.", "Step", "Planned", "As done", "By")
    return Section("Steps", (Table(head, rows, widths=(0.5, 2, 2, 2.4, 2)) if rows else Words(("none",)),))


def _done(done: Any) -> tuple[str, str]:
    if done is None:
        return "", ""
    parts = ["left out"] if done.skipped else [f"{t.label} {t.text}" for t in shown_settings(done)]
    parts += [done.equipment, done.reason]
    if done.overridden_by:
        parts.append(f"equipment allowed by {done.overridden_by.printed_name}: {done.override_reason}")
    seen = f", seen by {done.seen_by.printed_name}" if done.seen_by else ""
    return ", ".join(filter(None, parts)), f"{done.by.printed_name}, {_moment(done.at)}{seen}"


def _balance(batch: Batch, sheet: Sheet) -> Iterable[Section]:
    found = selectors.mass_balance_of(batch, sheet)
    if found is not None:
        low = f"; below its limit: {batch.yield_reason}" if found.low else ""
        rows = (
            ("Weighed in", show_mass(found.given)),
            ("Yield", f"{show_mass(found.made)}, {found.yield_percent:.1f} %{low}"),
            ("Known losses", show_mass(found.lost)),
            ("Unexplained", show_mass(found.unexplained)),
        )
        yield Section("Mass balance", (Facts(rows),))


def _tests(batch: Batch, notes: Sequence[Note]) -> Iterable[Section]:
    rows = tuple(_test(found, notes) for found in selectors.tests_of(batch))
    if rows:
        head = ("Test", "Result", "Limits", "Equipment", "By, when")
        yield Section("In-process tests", (Table(head, rows, widths=(1.4, 2.2, 1.5, 1.2, 2.4)),))
    photos = [f"{p.caption or 'photograph'}, SHA-256 {p.file.sha256}" for p in selectors.photos_of(batch)]
    if photos:
        yield Section("Photographs", (Words(tuple(photos), "list"),))


def _test(found: dict[str, Any], notes: Sequence[Note]) -> tuple[str, ...]:
    row, figure = found["row"], found["figure"]
    result = figure_words(figure["value"], figure["u"], figure["unit"]) if figure["u"] else row.as_entered
    outside = f", outside: {row.reason}" if row.outside else ""
    limits = f"{found['limits']} {pretty_unit(found['unit'])}" if found["limits"] else ""
    by = f"{row.by.printed_name}, {_moment(row.at)}"
    return (found["label"], f"{result}{_marks(notes, found['label'])}{outside}", limits, row.equipment, by)


def _changes(notes: Sequence[Note]) -> Section:
    lines = tuple(
        f"[{n.number}] {n.where}: {n.old} became {n.new}; {n.by.printed_name}, {_moment(n.at)}: {n.why}" for n in notes
    )
    return Section("Changes since entry", (Words(lines or ("no changes since entry",)),))
