"""Applications: scan sample and rig, see whether the work may begin, put the material on, tear down."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.core.errors import Refusal
from lims.core.quantities import from_si
from lims.files.services import store_file
from lims.rigs.selectors import get_block_for, get_rig_for, mounted_blocks
from lims.runs.selectors import applications as selectors
from lims.runs.selectors.plans import earlier_open, get_line_for, line_of, refuse_other_than
from lims.runs.services import applications as services
from lims.runs.services.plans import apply_line
from lims.runs.states import ApplicationState
from lims.samples.selectors import cautions_of, get_sample_for, meetings_of, why_not_applicable
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, put_refusal, status_of, submitted
from lims.web.forms import applications as forms
from lims.web.forms.fields import ReasonForm
from lims.web.forms.values import shown

READ = "laboratory.read"
ALWAYS = ("heat", "press", "mains", "solvent")


@page(READ)
def applications(request: HttpRequest) -> HttpResponse:
    """Every application, newest first."""
    form = forms.ApplicationFilter(request.GET)
    chosen = form.cleaned_data if form.is_valid() else {}
    user = person(request)
    context = {
        "page": paged(request, selectors.applications_for(user, **chosen)),
        "filter": form,
        "filtered": any(chosen.values()),
        "may_apply": user.may("application.apply"),
    }
    return render(request, "applications/applications.html", context)


def _planned_line(request: HttpRequest) -> Any:
    """The line of a plan that the address names, `TP-001:3`; None where it names none."""
    code, _, position = request.GET.get("line", "").partition(":")
    return get_line_for(person(request), code, int(position)) if position.isdecimal() else None


@page("application.apply")
def application_new(request: HttpRequest) -> HttpResponse:
    """At the bench: scan sample and rig; see three green lines or the reason why not; put the material on."""
    scan = forms.ScanForm(request.GET or None)
    if not ("sample" in request.GET and "rig" in request.GET):
        scan = forms.ScanForm(initial=request.GET.dict())
    line = _planned_line(request)
    found = _scanned(request, scan, line)
    if found is None:
        return render(request, "applications/scan.html", {"form": scan, "line": line}, status=status_of(scan))
    sample, rig = found
    checks = selectors.checks_before(sample, rig)
    form = _bench_form(request, rig, line)
    if request.method == "POST":
        done = submitted(request, form, lambda: _apply_at_bench(request, form, found, line), to=_address_of)
        if done:
            return done
    context = {"sample": sample, "rig": rig, "checks": checks, "may_begin": selectors.may_begin(checks)}
    context |= {"line": line, "waits": earlier_open(line) if line else None}
    context |= {"form": form, "caution_keys": [*ALWAYS, *cautions_of(sample)]}
    context["meetings"] = _meetings(request, sample, mounted_blocks(rig) or ())
    return render(request, "applications/bench.html", context, status=status_of(form))


def _meetings(request: HttpRequest, sample: Any, blocks: Any) -> list[Any]:
    """What is recorded against this sample meeting the metals of these blocks."""
    metals = [block.metal for block in blocks if block is not None]
    return meetings_of(sample, metals, named=person(request).may("recipe.read"))


def _scanned(request: HttpRequest, scan: forms.ScanForm, line: Any) -> tuple[Any, Any] | None:
    if not scan.is_bound or not scan.is_valid():
        return None
    user = person(request)
    try:
        sample = get_sample_for(user, scan.cleaned_data["sample"])
        rig = get_rig_for(user, scan.cleaned_data["rig"])
        if line is not None:
            refuse_other_than(line, sample, rig)
        return sample, rig
    except Refusal as refusal:
        put_refusal(scan, refusal)
        return None


def _bench_form(request: HttpRequest, rig: Any, line: Any) -> forms.BenchForm:
    method = line.plan.method_version.code if line else request.GET.get("method", "")
    kind = forms.LineForm if line else forms.BenchForm
    form = kind(request.POST or None, initial={"method_version": method})
    offered = form.fields["method_version"].queryset  # type: ignore[attr-defined]
    if len(offered) == 1:
        form.initial["method_version"] = offered[0].code
    chosen = next((v for v in offered if v.code == (request.POST or form.initial).get("method_version")), None)
    form.expect(chosen)
    blocks = mounted_blocks(rig)
    if blocks:
        form.fields["hot_block"].help_text = f"Scan its label. {rig.code} has {blocks[0].code}."
        form.fields["cold_block"].help_text = f"Scan its label. {rig.code} has {blocks[1].code}."
    return form


def _apply_at_bench(request: HttpRequest, form: forms.BenchForm, found: tuple[Any, Any], line: Any) -> Any:
    user, (sample, rig) = person(request), found
    if line is not None:
        facts = form.apply_values() | {"out_of_order": form.cleaned_data["out_of_order"]}
        return once(key_of(request), apply_line)(line, actor=user, faces=_faces(user, form), **facts)
    return once(key_of(request), services.plan_and_apply)(
        actor=user,
        sample=sample,
        rig=rig,
        method_version=form.cleaned_data["method_version"],
        faces=_faces(user, form),
        **form.apply_values(),
    )


def _faces(user: Any, form: Any) -> services.Faces:
    data = form.cleaned_data
    return services.Faces(get_block_for(user, data["hot_block"]), get_block_for(user, data["cold_block"]))


def _address_of(application: Any) -> str:
    return reverse("application", args=[application.code])


@page("application.plan")
def application_plan(request: HttpRequest) -> HttpResponse:
    """Plan an application for later."""
    form = forms.PlanForm(request.POST or None, initial=request.GET.dict())
    done = submitted(request, form, lambda: _plan(request, form), to=_address_of)
    return done or render(request, "applications/plan.html", {"form": form}, status=status_of(form))


def _plan(request: HttpRequest, form: forms.PlanForm) -> Any:
    user, data = person(request), form.cleaned_data
    return once(key_of(request), services.plan_application)(
        actor=user,
        sample=get_sample_for(user, data["sample"]),
        rig=get_rig_for(user, data["rig"]),
        method_version=data["method_version"],
        faces=_faces(user, form),
        remarks=data["remarks"],
    )


@page(READ)
def application(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One application: surfaces, material, pressure, its runs."""
    user = person(request)
    found = selectors.get_application_for(user, code)
    if found.code != code:
        return redirect("application", found.code)
    planned = found.state == ApplicationState.PLANNED
    context = {
        "application": found,
        "actions": _buttons(user, found, failed),
        "refusal": failed.refusal if failed else None,
        **_shown(found),
        "surfaces": [_surface(block) for block in (found.hot_block, found.cold_block)],
        "counts": selectors.counts_of(found),
        "runs": selectors.runs_of(found),
        "checks": selectors.checks_before(found.sample, found.rig) if planned else [],
        "limits": why_not_applicable(found.sample, found.applied_at) if found.applied_at else [],
        "photos": selectors.photos_of(found),
        "plan_line": line_of(found),
        "caution_keys": [*ALWAYS, *cautions_of(found.sample)] if _in_work(found) else [],
        "meetings": _meetings(request, found.sample, (found.hot_block, found.cold_block)) if _in_work(found) else [],
        "may_upload": user.may("run.upload") and found.state in ("applied", "settled", "measured"),
        "came_from": [found.sample, found.rig, found.method_version, found.hot_block, found.cold_block],
        "went_into": list(selectors.runs_of(found)),
        "entries": readable(history_of("application", found.code)[:50], user),
    }
    return render(request, "applications/application.html", context, status=failed.status if failed else 200)


def _shown(found: Any) -> dict[str, Any]:
    """Its quantities in the units people read them in; the pressure to a tenth of a kilopascal."""
    pressure = selectors.pressure_of(found)
    return {
        "pressure": pressure,
        "pressure_shown": "" if pressure is None else f"{from_si(pressure, unit='kPa', of='pressure'):.1f}",
        "area_shown": shown(selectors.area_of(found), unit="mm^2", of="area"),
        "coverage_shown": shown(found.coverage, unit="%", of="mass_fraction"),
        "stop_shown": shown(found.stop, unit="um", of="gap"),
        "ambient_shown": shown(found.ambient_temperature, unit="degC", of="ambient_temperature"),
    }


def _surface(block: Any) -> dict[str, Any]:
    return {
        "block": block,
        "uses": selectors.uses_of(block),
        "flatness": shown(block.flatness, unit="um", of="flatness"),
        "roughness": shown(block.roughness, unit="um", of="roughness"),
    }


def _in_work(found: Any) -> bool:
    return found.state not in (ApplicationState.TORN_DOWN, ApplicationState.VOID)


def _buttons(user: Any, found: Any, failed: Failed | None) -> list[dict[str, Any]]:
    buttons = APPLICATION.buttons(user, found, failed=failed)
    for button in buttons:
        if isinstance(button["form"], forms.ApplyForm):
            button["form"].expect(found.method_version)
    return buttons


def _photograph(found: Any, *, actor: Any, key: str | None, photo: Any, when: str, words: str) -> Any:
    stored = store_file(photo, name=photo.name, media_type=photo.content_type, by=actor)
    return once(key, services.add_photograph)(found, actor=actor, file=stored, when=when, words=words)


def _tear_down(found: Any, *, actor: Any, key: str | None, photo: Any, **facts: Any) -> Any:
    stored = store_file(photo, name=photo.name, media_type=photo.content_type, by=actor) if photo else None
    return once(key, services.tear_down)(found, actor=actor, photo=stored, **facts)


_S = ApplicationState
APPLICATION = RecordPage(
    "application",
    "applications",
    selectors.get_application_for,
    application,
    (
        RecordAct(
            "apply", "Put the material on", "application.apply", services.apply_sample, forms.ApplyForm,
            states(_S.PLANNED), main=True, values=lambda form: form.apply_values(),
        ),
        RecordAct(
            "settle", "Dwell or cure is done", "application.settle", services.settle_application, None,
            states(_S.APPLIED),
        ),
        RecordAct(
            "tear-down", "Tear down", "application.tear_down", _tear_down, forms.TearDownForm,
            states(_S.APPLIED, _S.SETTLED, _S.MEASURED), values=lambda form: form.values(),
            hint="Let the blocks cool first. No run can be added afterwards.",
        ),
        RecordAct(
            "photograph", "Add a photograph", "application.photograph", _photograph, forms.PhotoForm,
            states(_S.PLANNED, _S.APPLIED, _S.SETTLED, _S.MEASURED, _S.TORN_DOWN),
        ),
        RecordAct(
            "void", "Void", "application.void", services.void_application, ReasonForm,
            states(_S.PLANNED, _S.APPLIED, _S.SETTLED), hint="It counts as an attempt and stays visible.",
        ),
    ),
)  # fmt: skip

urlpatterns = [
    path("applications/", applications, name="applications"),
    path("applications/new/", application_new, name="application-new"),
    path("applications/plan/", application_plan, name="application-plan"),
    *APPLICATION.paths(),
    path("applications/<str:code>/", application, name="application"),
]
