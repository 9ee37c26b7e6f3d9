"""Formulations and their versions."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.comparisons.tracing import start_of, trace
from lims.core.errors import NotFound, Refusal, Stale
from lims.formulations import selectors, services
from lims.formulations.kinds import shown_settings
from lims.formulations.states import VersionState
from lims.materials.selectors import coarsest_of, warnings_between
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.fields import ReasonForm, SignForm
from lims.web.forms.formulations import (
    CopyForm,
    EditForm,
    FormulationForm,
    LineForm,
    LoadingForm,
    StepForm,
    TableForm,
    TestLimitsForm,
    beside,
    line_initial,
    lines_of,
    sheet_of_rows,
    step_initial,
    steps_of,
)
from lims.web.line_tables import WRITERS, line_rows
from lims.web.rows import filled, head_form, is_adding, row_set
from lims.web.standing import DecideForm


@page("recipe.read")
def formulations(request: HttpRequest) -> HttpResponse:
    """Every formulation, newest first."""
    text = request.GET.get("text", "").strip()
    context = {
        "page": paged(request, selectors.formulations(text=text)),
        "text": text,
        "may_create": person(request).may("formulation.create"),
    }
    return render(request, "formulations/formulations.html", context)


@page("formulation.create")
def formulation_new(request: HttpRequest) -> HttpResponse:
    """Write a new formulation: its lines and steps on one page."""
    form = head_form(request, FormulationForm)
    table = _table(request)
    lines, steps = _rows(request, table)

    def create() -> Any:
        return once(key_of(request), services.create_formulation)(
            actor=person(request), **form.cleaned_data, lines=lines_of(filled(lines)), steps=steps_of(filled(steps))
        )

    done = _send(request, form, (lines, steps), create, lambda made: reverse("formulation", args=[made.code]))
    return done or _form_page(request, form=form, lines=lines, steps=steps, table=table)


@page("formulation.edit")
def formulation_edit(request: HttpRequest, code: str) -> HttpResponse:
    """Write the lines and steps of a draft."""
    version = selectors.get_version_for(person(request), code)
    form = head_form(request, EditForm, initial={"read": version.version})
    table = _table(request)
    lines, steps = _rows(request, table, version)

    def edit() -> Any:
        return once(key_of(request), services.edit_draft)(
            version,
            actor=person(request),
            lines=lines_of(filled(lines)),
            steps=steps_of(filled(steps)),
            read=form.cleaned_data["read"],
        )

    done = _send(request, form, (lines, steps), edit, lambda made: reverse("formulation", args=[made.code]))
    stored = [] if done else _stored(form, lines, steps, version)
    return done or _form_page(request, form=form, lines=lines, steps=steps, table=table, version=version, stored=stored)


def _form_page(request: HttpRequest, **context: Any) -> HttpResponse:
    context["kept"] = context["form"].is_bound or is_adding(request)
    status = 422 if context["table"].errors else _status(context["form"], context["lines"], context["steps"])
    return render(request, "formulations/formulation_form.html", context, status=status)


def _stored(form: Any, lines: Any, steps: Any, version: Any) -> list[tuple[str, str, str]]:
    """Where somebody changed the draft meanwhile: what stands now beside what was typed; sending again is meant."""
    refusal = getattr(form, "refusal", None)
    if not isinstance(refusal, Stale):
        return []
    form.data = form.data.copy() | {"read": str(refusal.extra["version"])}
    return beside(version, lines=lines_of(filled(lines)), steps=steps_of(filled(steps)))


def _table(request: HttpRequest) -> TableForm:
    """The table to take lines from; bound only where its button was pressed."""
    if request.method == "POST" and request.POST.get("add") == "table":
        return TableForm(request.POST, request.FILES)
    return TableForm(initial={"table": request.POST.get("table", "")})


@require_POST
@page("recipe.read")
def formulation_sheet(request: HttpRequest) -> HttpResponse:
    """What the lines typed so far make; a fragment that stores nothing and never refuses what is half typed."""
    rows = row_set(request, LineForm, prefix="lines")
    typed = [row for row in rows if row.has_changed()] if rows.is_bound else []
    right = [row.cleaned_data for row in typed if row.is_valid()]
    context: dict[str, Any] = {"waiting": len(typed) - len(right)}
    try:
        if right and not context["waiting"]:
            context |= sheet_of_rows(right)
            context["meetings"] = warnings_between([line.row.material for line in context["composition"].lines])
    except Refusal as refusal:
        context["problem"] = str(refusal)
    return render(request, "formulations/_sheet.html", context)


def _rows(request: HttpRequest, table: TableForm, version: Any = None) -> tuple[Any, Any]:
    added = table.rows() if table.is_bound and table.is_valid() else []
    lines = line_initial(version.lines.select_related("material")) if version else []
    steps = step_initial(version.steps.all()) if version else []
    return (
        row_set(request, LineForm, prefix="lines", initial=lines, added=added),
        row_set(request, StepForm, prefix="steps", initial=steps),
    )


def _send(request: HttpRequest, form: Any, rows: tuple[Any, ...], act: Any, to: Any) -> HttpResponse | None:
    """Do the act when form and rows are right; rows that are not right come back with the form."""
    if request.method != "POST" or is_adding(request):
        return None
    right, left = all([rows_.is_valid() for rows_ in rows]), request.POST.get("table", "").strip() or request.FILES
    if not right or left:
        form.is_valid()
        if not right:
            form.add_error(None, "Some rows are not right. What you typed is still here.")
        if left:
            form.add_error(None, "A table stands beside the lines. Add its lines, or empty it, then save.")
        return None
    return submitted(request, form, act, to=to)


def _status(form: Any, *rows: Any) -> int:
    if any(r.is_bound and not r.is_valid() for r in rows):
        return 422
    return status_of(form)


@page("recipe.read")
def formulation(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One version of a formulation; without a version number the newest."""
    user = person(request)
    version = selectors.get_version_for(user, code)
    parts = [(line.material, line.fraction) for line in version.lines.select_related("material")]
    materials = [material for material, _ in parts]
    context = {
        "version": version,
        "composition": selectors.composition_of(version),
        "conducting": selectors.conducting_of(parts),
        "cost": selectors.cost_of(parts),
        **_loading(request, parts),
        "steps": [(step, shown_settings(step)) for step in version.steps.order_by("position")],
        "versions": version.formulation.versions.order_by("-number"),
        "differences": selectors.differences(version.parent, version) if version.parent else [],
        "batches": version.batches.order_by("-id")[:50],
        "copies": version.successors.exclude(formulation=version.formulation).select_related("formulation")[:50],
        "came_of": _came_of(user, version),
        "actions": _buttons(user, version, failed),
        "limits": selectors.shown_limits(selectors.limits_of(version)),
        "refusal": failed.refusal if failed else None,
        "may_edit": user.may("formulation.edit") and version.state == VersionState.DRAFT,
        "may_plan": user.may("batch.plan") and version.state == VersionState.APPROVED,
        "meetings": warnings_between(materials),
        "caution_keys": sorted({key for material in materials for key in material.caution_keys}),
        "entries": readable(_history(version)[:50], user),
    }
    return render(request, "formulations/formulation.html", context, status=failed.status if failed else 200)


def _loading(request: HttpRequest, parts: list[Any]) -> dict[str, Any]:
    """What more filler or less could do, with the yield stress and pressure of the address."""
    form = LoadingForm(request.GET if "pressure" in request.GET else None)
    known = form.values() if form.is_bound and form.is_valid() else {}
    fillers = [material for material, _ in parts if material.kind != "carrier"]
    found = selectors.explored(parts, coarsest=coarsest_of(fillers), **known)
    return {"loading_form": form, "explored": found, "query": request.GET.urlencode()}


@page("recipe.read")
def formulation_loading(request: HttpRequest, code: str) -> JsonResponse:
    """The plot of conductivity, bond line and impedance against loading."""
    version = selectors.get_version_for(person(request), code)
    parts = [(line.material, line.fraction) for line in version.lines.select_related("material")]
    return JsonResponse(_loading(request, parts)["explored"].plot)


CAME_OF = ("sample", "comparison")
MOST_TRACED = 20


def _came_of(user: Any, version: Any) -> list[tuple[str, list[Any]]]:
    """The samples and comparisons that came of a version's newest batches, each record once."""
    found: dict[str, dict[int, Any]] = {kind: {} for kind in CAME_OF}
    for batch in version.batches.order_by("-id")[:MOST_TRACED]:
        traced = trace(user, start_of(user, "batch", batch.code), "forward", most=50)
        for kind in CAME_OF:
            found[kind] |= {node.id: node for node in traced.of(kind)}
    return [(kind, sorted(nodes.values(), key=lambda node: -node.id)) for kind, nodes in found.items() if nodes]


@page("recipe.read")
def formulation_lines(request: HttpRequest, code: str, form: str) -> HttpResponse:
    """The lines of a version as a table to take away."""
    version = selectors.get_version_for(person(request), code)
    if form not in WRITERS:
        raise NotFound(f"Lines come as {' or '.join(WRITERS)}, not as {form}.")
    write, kind = WRITERS[form]
    answer = HttpResponse(write(line_rows(selectors.composition_of(version))), content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="{version.code.replace("/", "-")}-lines.{form}"'
    return answer


def _history(version: Any) -> Any:
    """The history of the version and of the formulation it belongs to, in one."""
    of_formulation = history_of("formulation", version.formulation.code)
    return (history_of("formulation version", version.code) | of_formulation).order_by("-id")


@page("recipe.read")
def formulation_difference(request: HttpRequest, code: str) -> HttpResponse:
    """Two versions side by side: what was added, removed, changed."""
    new = selectors.get_version_for(person(request), code)
    other = request.GET.get("from") or (new.parent.code if new.parent else "")
    old = selectors.get_version_for(person(request), other) if other else None
    context = {
        "new": new,
        "old": old,
        "versions": new.formulation.versions.exclude(pk=new.pk).order_by("-number"),
        "differences": selectors.differences(old, new) if old else [],
    }
    return render(request, "formulations/difference.html", context)


def _next(version: Any, *, actor: Any, reason: str, key: str | None = None) -> Any:
    return once(key, services.new_version)(version, actor=actor, reason=reason)


def _copy(version: Any, *, actor: Any, key: str | None = None, **values: Any) -> Any:
    return once(key, services.copy_formulation)(version, actor=actor, **values)


def _own(user: Any, version: Any) -> str:
    return "" if version.author_id == user.pk else "Only the author hands a draft in."


def _others(user: Any, version: Any) -> str:
    return "You wrote this version; somebody else judges it." if version.author_id == user.pk else ""


_V = VersionState


def _buttons(user: Any, version: Any, failed: Failed | None) -> list[dict[str, Any]]:
    """The acts; the form of the limits shows those that stand."""
    buttons = FORMULATION.buttons(user, version, failed=failed)
    for form in (button["form"] for button in buttons):
        if isinstance(form, TestLimitsForm) and not form.is_bound:
            standing = selectors.shown_limits(selectors.limits_of(version))
            form.initial = {f"{row['test']}_{end}": row[end] for row in standing for end in ("lower", "upper")}
    return buttons


FORMULATION = RecordPage(
    "formulation",
    "formulations",
    selectors.get_version_for,
    formulation,
    (
        RecordAct(
            "submit",
            "Hand in for review",
            "formulation.submit",
            services.submit_version,
            None,
            states(_V.DRAFT),
            main=True,
            why_not=_own,
        ),
        RecordAct(
            "approve",
            "Approve",
            "formulation.approve",
            services.approve_version,
            DecideForm,
            states(_V.IN_REVIEW),
            main=True,
            why_not=_others,
        ),
        RecordAct(
            "return",
            "Give back",
            "formulation.return",
            services.return_version,
            ReasonForm,
            states(_V.IN_REVIEW),
            why_not=_others,
        ),
        RecordAct(
            "new-version",
            "Begin a new version",
            "formulation.create",
            _next,
            ReasonForm,
            states(_V.APPROVED, _V.SUPERSEDED, _V.WITHDRAWN, _V.ABANDONED),
        ),
        RecordAct(
            "copy",
            "Copy into a new formulation",
            "formulation.create",
            _copy,
            CopyForm,
            done="Copied from {code}; you find the copy on top of the list of formulations.",
        ),
        RecordAct(
            "withdraw",
            "Withdraw",
            "formulation.withdraw",
            services.withdraw_version,
            SignForm,
            states(_V.APPROVED, _V.SUPERSEDED),
            why_not=_others,
        ),
        RecordAct(
            "test-limits",
            "Limits of tests",
            "formulation.edit",
            services.set_test_limits,
            TestLimitsForm,
            states(_V.DRAFT),
            hint="Batches of this version are held to them. Leave both ends blank where a test has no limits.",
            values=lambda form: form.values(),
        ),
        RecordAct("abandon", "Give up", "formulation.abandon", services.abandon_version, ReasonForm, states(_V.DRAFT)),
    ),
)


urlpatterns = [
    path("formulations/", formulations, name="formulations"),
    path("formulations/new/", formulation_new, name="formulation-new"),
    path("formulations/sheet/", formulation_sheet, name="formulation-sheet"),
    *FORMULATION.paths(),
    path("formulations/<path:code>/lines.<str:form>", formulation_lines, name="formulation-lines"),
    path("formulations/<path:code>/loading.json", formulation_loading, name="formulation-loading"),
    path("formulations/<path:code>/edit/", formulation_edit, name="formulation-edit"),
    path("formulations/<path:code>/difference/", formulation_difference, name="formulation-difference"),
    path("formulations/<path:code>/", formulation, name="formulation"),
]
