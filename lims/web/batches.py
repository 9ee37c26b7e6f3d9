"""Batches: plan, weigh at the bench, process, decide."""

from __future__ import annotations

from typing import Any, cast
from urllib.parse import urlencode

from django.contrib import messages
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from lims.accounts.acts import once, require
from lims.accounts.selectors import people
from lims.audit.selectors import history_of, readable
from lims.cases.selectors import standing_holds
from lims.core.codes import expect_kind
from lims.core.errors import Invalid, Refusal
from lims.core.quantities import mass_in_kg
from lims.files.selectors import open_file
from lims.formulations import selectors, services
from lims.formulations.kinds import shown_settings
from lims.formulations.papers import draw_batch_record
from lims.formulations.states import BatchState
from lims.materials.selectors import get_lot_for, lots_to_weigh, reserved_for, warnings_between
from lims.quality import services as quality
from lims.quality.selectors import standing_of_batch
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.certificates import certificates_context
from lims.web.doors import key_of, page, paged, person, put_refusal, status_of, submitted
from lims.web.forms.fields import ReasonForm, SignForm
from lims.web.forms.formulations import (
    CorrectForm,
    DoStepForm,
    ExploreForm,
    FinishForm,
    LineForm,
    PhotoForm,
    PlanForm,
    PromoteForm,
    StepForm,
    TestForm,
    WeighForm,
    lines_of,
    steps_of,
)
from lims.web.rows import filled, head_form, is_adding, row_set
from lims.web.standing import CASE_ACTS, DecideForm, concession_acts, standing_context, why_not_released


@page("laboratory.read")
def batches(request: HttpRequest) -> HttpResponse:
    """Every batch, newest first."""
    text, state = request.GET.get("text", "").strip(), request.GET.get("state", "")
    context = {
        "page": paged(request, selectors.batches(text=text, state=state)),
        "text": text,
        "state": state,
        "states": BatchState.choices,
        "may_plan": person(request).may("batch.plan"),
    }
    return render(request, "batches/batches.html", context)


@page("batch.plan")
def batch_new(request: HttpRequest) -> HttpResponse:
    """Plan a batch of an approved version."""
    form = PlanForm(request.POST or None, initial={"version": request.GET.get("version", "")})

    def plan() -> Any:
        data = form.cleaned_data
        recipe = selectors.get_version_for(person(request), data["version"])
        mass = mass_in_kg(data["target_mass"], unit="g", field="target_mass")
        return once(key_of(request), services.plan_batch)(
            recipe, actor=person(request), target_mass=mass, name=data["name"], balance=data["balance"]
        )

    done = submitted(request, form, plan, to=lambda made: reverse("batch", args=[made.code]))
    return done or render(request, "batches/batch_new.html", {"form": form}, status=status_of(form))


@page("batch.plan")
def batch_explore(request: HttpRequest) -> HttpResponse:
    """Plan an exploratory batch with its own lines and steps."""
    form = head_form(request, ExploreForm)
    lines, steps = row_set(request, LineForm, prefix="lines"), row_set(request, StepForm, prefix="steps")
    done = None
    if request.method == "POST" and not is_adding(request):
        if all([lines.is_valid(), steps.is_valid()]):
            done = submitted(
                request,
                form,
                lambda: _explore(request, form, lines, steps),
                to=lambda made: reverse("batch", args=[made.code]),
            )
        else:
            form.is_valid()
            form.add_error(None, "Some rows are not right. What you typed is still here.")
    context = {"form": form, "lines": lines, "steps": steps}
    return done or render(request, "batches/batch_explore.html", context, status=status_of(form))


def _explore(request: HttpRequest, form: Any, lines: Any, steps: Any) -> Any:
    return once(key_of(request), services.plan_exploratory_batch)(
        actor=person(request),
        name=form.cleaned_data["name"],
        target_mass=mass_in_kg(form.cleaned_data["target_mass"], unit="g", field="target_mass"),
        lines=lines_of(filled(lines)),
        steps=steps_of(filled(steps)),
    )


@page("laboratory.read")
def batch(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One batch: the sheet as it stands for those who may read recipes, facts and decisions for everybody."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    sheet = selectors.sheet_of(found)
    may_read = user.may("recipe.read")
    context = {
        "batch": found,
        "sheet": sheet if may_read else None,
        "to_check": [w for w in sheet.unchecked if w.by_id != user.pk] if user.may("batch.check") else [],
        "steps": _steps(sheet) if may_read else [],
        "newer": selectors.newer_version_of(found),
        "actions": _buttons(user, found, failed),
        "refusal": failed.refusal if failed else None,
        "at_bench": user.may("batch.weigh") and found.state in ("planned", "weighing", "processing") and may_read,
        "caution_keys": _cautions(sheet),
        "tests": selectors.tests_of(found) if may_read else [],
        **_on_hold(found),
        "may_correct_tests": user.may("batch.test") and found.state in services.TESTED_IN,
        "limits": selectors.shown_limits(found.frozen.get("tests", [])) if may_read else [],
        "photos": selectors.photos_of(found) if may_read else [],
        "balance": selectors.mass_balance_of(found, sheet) if may_read else None,
        "kept": reserved_for(found.code) if may_read else [],
        "meetings": warnings_between([line.row.material for line in sheet.lines]) if may_read else [],
        "came_from": [*([found.recipe.code] if found.recipe and may_read else []), *selectors.lots_in_batch(found)],
        "went_into": [sample.code for sample in found.samples.all()],
        "entries": readable(history_of("batch", found.code)[:100], user),
        **standing_context("batch", found, standing_of_batch(found)),
        **certificates_context(user, "batch", found),
    }
    return render(request, "batches/batch.html", context, status=failed.status if failed else 200)


def _buttons(user: Any, found: Any, failed: Failed | None) -> list[dict[str, Any]]:
    """The acts; a test written down without a network waits for it like a weighing."""
    buttons = BATCH.buttons(user, found, failed=failed)
    for button in buttons:
        if isinstance(button["form"], TestForm):
            button["queue"] = f"{found.code} test"
    return buttons


def _on_hold(found: Any) -> dict[str, Any]:
    """What stops the batch now, and whether the rest has new targets."""
    return {"on_hold": standing_holds("batch", found.code), "retargeted": found.rescalings.exists()}


def _steps(sheet: Any) -> list[dict[str, Any]]:
    return [
        {"step": step, "targets": shown_settings(step), "done": done, "actual": shown_settings(done) if done else []}
        for step in sheet.steps
        for done in [sheet.done.get(step["position"])]
    ]


def _cautions(sheet: Any) -> list[str]:
    keys = [key for line in sheet.lines for key in line.row.material.caution_keys]
    return list(dict.fromkeys([*keys, *(["mixer"] if sheet.steps else [])]))


@page("batch.weigh")
def batch_bench(request: HttpRequest, code: str) -> HttpResponse:
    """One thing at a time at the bench: the open line, then closing, then the open step, then the yield."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    if not user.may("recipe.read"):
        return redirect("batch", code=found.code)
    sheet = selectors.sheet_of(found)
    if found.state in (BatchState.PLANNED, BatchState.WEIGHING):
        return _bench_weighing(request, found, sheet)
    if found.state == BatchState.PROCESSING and sheet.open_step is not None:
        return _bench_step(request, found, sheet)
    return redirect("batch", code=found.code)


def _bench_weighing(request: HttpRequest, found: Any, sheet: Any) -> HttpResponse:
    line = _chosen_line(request, sheet)
    if line is None:
        context = {"batch": found, "sheet": sheet, "missing": services.what_stops_closing(sheet)}
        return render(request, "batches/bench_close.html", context)
    last = line.weighings[-1].pk if line.weighings else 0
    form = WeighForm(request.POST or None, expected=line.left, initial={**_last_balance(sheet), "seen": last})
    asked = None
    if request.method == "POST" and form.is_valid():
        asked = _weigh(request, line, form)
        if asked is None:
            messages.success(request, f"Line {line.row.position} taken.")
            return redirect("batch-bench", code=found.code)
    correction = _correction(sheet, line, form) if asked and asked.code == "outside-tolerance" else None
    context = {
        "batch": found,
        "sheet": sheet,
        "line": line,
        "form": form,
        "choice": lots_to_weigh(line.row.material),
        "kept": {lot.code: mass for lot, mass in reserved_for(found.code)},
        "shown": _BENCH_FIELDS | _ASKED.get(asked.code if asked else "", set()),
        "correction": correction,
        "theirs": line.weighings[-1] if asked and asked.code == "weighed-meanwhile" else None,
        "last": last,
        **_on_hold(found),
        "beyond": correction and form.values()["net"] > line.left + line.row.outer_tolerance,
        "bar": ["now" if row is line else "done" if row.done else "" for row in sheet.lines],
    }
    return render(request, "batches/bench_weigh.html", context, status=status_of(form))


_BENCH_FIELDS = {"lot", "net", "balance", "container", "more", "reason"}
_ASKED = {
    "unit-slip": {"meant"},
    "opening-date-needed": {"opened_on"},
    "outside-tolerance": {"correct"},
    "weighed-meanwhile": {"choice"},
    "equipment-not-fit": {"override_reason", "override_name", "override_password"},
}


def _correction(sheet: Any, line: Any, form: Any) -> Any:
    """The new targets that would keep the proportions, shown before they are taken."""
    net = form.values()["net"]
    return services.correction_for(sheet, position=line.row.position, net=net)


@page("batch.weigh")
def bench_scan(request: HttpRequest, code: str) -> HttpResponse:
    """Lead a scanned lot to the line it belongs to."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    require(user, "recipe.read")
    lot = get_lot_for(user, expect_kind(request.GET.get("lot", ""), "lot"))
    sheet = selectors.sheet_of(found)
    lines = [line for line in sheet.lines if line.row.material_id == lot.material_id]
    line = next((line for line in lines if not line.done), None)
    if line is None:
        asked = ", ".join(row.row.material.name for row in sheet.lines if not row.done) or "no line"
        words = "is weighed already" if lines else f"is not asked for; open: {asked}"
        raise Invalid(f"{lot.code} is {lot.material.name}, which {words}.", code="wrong-material")
    query = urlencode({"line": line.row.position, "lot": lot.code})
    return redirect(f"{reverse('batch-bench', args=[found.code])}?{query}")


@page("batch.weigh")
def bench_others(request: HttpRequest, code: str) -> HttpResponse:
    """What was entered last and by whom, and whether the line in hand was weighed by somebody else meanwhile."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    require(user, "recipe.read")
    position, seen = request.GET.get("line", "0"), request.GET.get("seen", "0")
    entries = selectors.latest_entries(found)
    mine = [w for w in entries if str(w.line.position) == position and w.pk > int(seen if seen.isdigit() else 0)]
    context = {"batch": found, "entries": entries, "meanwhile": mine[0] if mine else None}
    return render(request, "batches/_others.html", context | {"line": position, "seen": seen})


@require_POST
@page("batch.do_step")
def step_begin(request: HttpRequest, code: str, position: int) -> HttpResponse:
    """Start the timer of a step."""
    found = selectors.get_batch_for(person(request), code)
    once(key_of(request), services.begin_step)(found, actor=person(request), position=position)
    return redirect("batch-bench", code=found.code)


@page("laboratory.read")
def batch_photo(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """The small picture of a photograph."""
    found = selectors.get_photo_of(selectors.get_batch_for(person(request), code), number)
    return cast(HttpResponse, FileResponse(open_file(found.small), content_type="image/jpeg"))


@page("recipe.read")
def batch_print(request: HttpRequest, code: str) -> HttpResponse:
    """The whole batch record as one document to print, every changed value marked with a footnote."""
    found = selectors.get_batch_for(person(request), code)
    sheet = selectors.sheet_of(found)
    context = {
        "batch": found,
        "sheet": sheet,
        "steps": _steps(sheet),
        "notes": selectors.notes_of(found),
        "tests": selectors.tests_of(found),
        "photos": selectors.photos_of(found),
        "balance": selectors.mass_balance_of(found, sheet),
        "newer": selectors.newer_version_of(found),
        "caution_keys": _cautions(sheet),
    }
    return render(request, "batches/print.html", context)


@page("recipe.read")
def batch_record(request: HttpRequest, code: str) -> HttpResponse:
    """The batch record as PDF, with the same notes as the page that is printed."""
    found = selectors.get_batch_for(person(request), code)
    drawn = draw_batch_record(
        found,
        address=request.build_absolute_uri(reverse("code", args=[found.code])),
        caution_keys=_cautions(selectors.sheet_of(found)),
    )
    response = HttpResponse(drawn, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{found.code}.pdf"'
    return response


def _chosen_line(request: HttpRequest, sheet: Any) -> Any:
    """The line asked for in the address while it is open, else the first open one."""
    asked = request.GET.get("line", "")
    asked = request.POST.get("line", asked)
    chosen = next((line for line in sheet.lines if str(line.row.position) == asked and not line.done), None)
    return chosen or sheet.open_line


def _last_balance(sheet: Any) -> dict[str, Any]:
    last = [weighing.balance for line in sheet.lines for weighing in line.weighings]
    return {"balance": last[-1]} if last else {}


def _weigh(request: HttpRequest, line: Any, form: Any) -> Refusal | None:
    """Take the weighing; a refusal goes into the form and comes back."""
    try:
        lot = get_lot_for(person(request), form.cleaned_data["lot"])
        once(key_of(request), services.weigh)(
            line.row, actor=person(request), lot=lot, override_by=_quality_person(form), **form.values()
        )
    except Refusal as refusal:
        put_refusal(form, refusal)
        return refusal
    return None


def _quality_person(form: Any) -> Any:
    """Who allows equipment that may not be used; nobody where none is named."""
    named = form.cleaned_data["override_name"]
    return people().filter(username=named).first() if named else None


def _bench_step(request: HttpRequest, found: Any, sheet: Any) -> HttpResponse:
    step = sheet.open_step
    seconds = [p for p in people() if p.pk != person(request).pk and p.may("batch.check")]
    form = DoStepForm(request.POST or None, step=step, people=seconds)
    asked = None
    if request.method == "POST" and form.is_valid():
        asked = _do_step(request, found, form, step=step, seconds=seconds)
        if asked is None:
            messages.success(request, f"Step {step['position']} done.")
            return redirect("batch-bench", code=found.code)
    form.ask_for_override(bool(asked and asked.code == "equipment-not-fit") or bool(request.POST.get("override_name")))
    context = {
        "batch": found,
        "step": step,
        "targets": shown_settings(step),
        "form": form,
        "count": len(sheet.steps),
        "begun": selectors.begun_at(found, step["position"]),
        "queue": f"{found.code} step {step['position']}",
        **_on_hold(found),
        "bar": ["done" if s["position"] in sheet.done else "now" if s is step else "" for s in sheet.steps],
    }
    return render(request, "batches/bench_step.html", context, status=status_of(form))


def _do_step(request: HttpRequest, found: Any, form: Any, *, step: Any, seconds: Any) -> Refusal | None:
    """Confirm the step; a refusal goes into the form and comes back."""
    named = form.cleaned_data.get("seen_by")
    position = form.cleaned_data["position"] or step["position"]  # an entry that waited may be for a step before
    try:
        once(key_of(request), services.do_step)(
            found,
            actor=person(request),
            position=position,
            seen_by=next((p for p in seconds if p.username == named), None),
            override_by=_quality_person(form),
            **form.values(),
        )
    except Refusal as refusal:
        put_refusal(form, refusal)
        return refusal
    return None


@require_POST
@page("batch.check")
def weighing_check(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Look at a typed weighing as a second person."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    weighing = selectors.get_weighing_of(found, number)
    once(key_of(request), services.check_weighing)(weighing, actor=user)
    messages.success(request, f"The weighing of line {weighing.line.position} is checked.")
    return redirect("batch", code=found.code)


@page("batch.correct")
def weighing_correct(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Correct a weighing: a new row beside the old one."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    weighing = selectors.get_weighing_of(found, number)
    form = CorrectForm(request.POST or None)
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.correct_weighing)(weighing, actor=user, **form.values()),
        to=lambda made: reverse("batch", args=[found.code]),
    )
    context = {"form": form, "batch": found, "weighing": weighing}
    return done or render(request, "batches/weighing_correct.html", context, status=status_of(form))


@page("batch.test")
def test_correct(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Correct an in-process test: a new entry that names the old one."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    require(user, "recipe.read")
    old = selectors.get_test_of(found, number)
    form = TestForm(request.POST or None, initial={"test": old.test, "equipment": old.equipment})
    form.fields["test"].choices = [c for c in form.fields["test"].choices if c[0] == old.test]  # type: ignore[attr-defined]
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.add_batch_test)(
            found, actor=user, replaces=old, **form.values() | {"position": old.position}
        ),
        to=lambda made: reverse("batch", args=[found.code]),
    )
    context = {"form": form, "batch": found, "old": old}
    return done or render(request, "batches/test_correct.html", context, status=status_of(form))


@page("batch.weigh")
def line_skip(request: HttpRequest, code: str, position: int) -> HttpResponse:
    """Leave a line out, with a reason."""
    user = person(request)
    found = selectors.get_batch_for(user, code)
    line = selectors.get_line_of(found, position)
    form = ReasonForm(request.POST or None)
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.skip_line)(line, actor=user, **form.cleaned_data),
        to=lambda made: reverse("batch-bench", args=[found.code]),
    )
    context = {"form": form, "batch": found, "position": position, "queue": f"{found.code} line {position} left out"}
    return done or render(request, "batches/line_skip.html", context, status=status_of(form))


def _closing(user: Any, record: Any) -> str:
    return " ".join(services.what_stops_closing(selectors.sheet_of(record)))


def _finishing(user: Any, record: Any) -> str:
    step = selectors.sheet_of(record).open_step
    return f"Step {step['position']} is not done yet." if step else ""


_B = BatchState
BATCH = RecordPage(
    "batch",
    "batches",
    selectors.get_batch_for,
    batch,
    (
        RecordAct(
            "close-weighing",
            "Lock the weights",
            "batch.close_weighing",
            services.close_weighing,
            None,
            states(_B.WEIGHING),
            why_not=_closing,
        ),
        RecordAct(
            "finish",
            "Finish",
            "batch.finish",
            services.finish_batch,
            FinishForm,
            states(_B.PROCESSING),
            main=True,
            why_not=_finishing,
            values=lambda form: form.values(),
        ),
        RecordAct(
            "test",
            "Write down a test",
            "batch.test",
            services.add_batch_test,
            TestForm,
            states(_B.WEIGHING, _B.PROCESSING, _B.MADE, _B.UNDER_TEST),
            values=lambda form: form.values(),
        ),
        RecordAct(
            "photograph",
            "Add a photograph",
            "batch.photograph",
            services.add_batch_photo,
            PhotoForm,
            states(_B.WEIGHING, _B.PROCESSING, _B.MADE, _B.UNDER_TEST),
            values=lambda form: form.values(),
        ),
        RecordAct(
            "rework",
            "Make it anew",
            "batch.rework",
            services.rework_batch,
            ReasonForm,
            states(_B.MADE, _B.REJECTED),
            why_not=lambda user, record: "" if selectors.reworks_decided(record) else "No nonconformance says rework.",
        ),
        RecordAct(
            "start-test", "Start the test", "batch.start_test", services.start_batch_test, None, states(_B.MADE), True
        ),
        RecordAct(
            "release",
            "Release",
            "batch.release",
            quality.release_batch,
            DecideForm,
            states(_B.UNDER_TEST),
            main=True,
            why_not=lambda user, record: why_not_released(standing_of_batch(record)),
        ),
        RecordAct("reject", "Reject", "batch.reject", quality.reject_batch, SignForm, states(_B.MADE, _B.UNDER_TEST)),
        RecordAct(
            "promote",
            "Make a formulation of it",
            "batch.promote",
            services.promote_batch,
            PromoteForm,
            states(_B.MADE, _B.UNDER_TEST),
            shown=lambda user, record: record.exploratory,
        ),
        RecordAct(
            "abort",
            "Give up",
            "batch.abort",
            services.abort_batch,
            ReasonForm,
            states(_B.PLANNED, _B.WEIGHING, _B.PROCESSING),
            hint="What was weighed stays taken from stock.",
        ),
        *concession_acts("batch", quality.propose_batch_concession, quality.approve_batch_concession),
        *CASE_ACTS,
    ),
)

urlpatterns = [
    path("batches/", batches, name="batches"),
    path("batches/new/", batch_new, name="batch-new"),
    path("batches/explore/", batch_explore, name="batch-explore"),
    path("batches/<str:code>/bench/", batch_bench, name="batch-bench"),
    path("batches/<str:code>/bench/scan/", bench_scan, name="bench-scan"),
    path("batches/<str:code>/bench/others/", bench_others, name="bench-others"),
    path("batches/<str:code>/steps/<int:position>/begin/", step_begin, name="step-begin"),
    path("batches/<str:code>/photographs/<int:number>/", batch_photo, name="batch-photo"),
    path("batches/<str:code>/print/", batch_print, name="batch-print"),
    path("batches/<str:code>/record.pdf", batch_record, name="batch-record"),
    path("batches/<str:code>/weighings/<int:number>/check/", weighing_check, name="weighing-check"),
    path("batches/<str:code>/weighings/<int:number>/correct/", weighing_correct, name="weighing-correct"),
    path("batches/<str:code>/tests/<int:number>/correct/", test_correct, name="batch-test-correct"),
    path("batches/<str:code>/lines/<int:position>/skip/", line_skip, name="line-skip"),
    *BATCH.paths(),
    path("batches/<str:code>/", batch, name="batch"),
]
