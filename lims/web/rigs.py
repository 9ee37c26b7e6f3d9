"""Rigs: what each is, whether it may be used, its channels and calibrations, its log, who used it."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from lims.accounts.acts import once, require
from lims.audit.selectors import history_of, readable
from lims.cases.selectors import standing_holds
from lims.core.errors import Refusal
from lims.files.services import store_file
from lims.rigs import selectors, services
from lims.rigs.checks import check_states
from lims.rigs.readiness import channel_states
from lims.rigs.states import RigState
from lims.runs.selectors.applications import applications_for, refuse_rig, rigs_now, zero_of
from lims.runs.selectors.effects import effects_of, last_good_point
from lims.runs.selectors.rig_figures import figures_of_rig
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms import rigs as forms
from lims.web.forms.fields import ReasonForm
from lims.web.holds import HOLD_ACTS
from lims.web.labels import Says, label_paths

READ = "laboratory.read"
ALWAYS = ("heat", "press", "mains")


@page(READ)
def rigs(request: HttpRequest) -> HttpResponse:
    """Every rig, and whether it may be used."""
    user = person(request)
    listed = paged(request, selectors.rigs_for(user))
    context = {"page": listed, "rows": rigs_now(listed), "may_create": user.may("rig.create")}
    return render(request, "rigs/rigs.html", context)


def _stop(rig: Any) -> Refusal | None:
    """Why a rig may not be used now; none where it may."""
    try:
        refuse_rig(rig)
    except Refusal as refusal:
        return refusal
    return None


@page("rig.create")
def rig_new(request: HttpRequest) -> HttpResponse:
    """Take a rig in."""
    form = forms.RigForm(request.POST or None)
    done = submitted(request, form, lambda: _create(request, form), to=_page_of)
    return done or render(request, "rigs/rig_new.html", {"form": form}, status=status_of(form))


def _create(request: HttpRequest, form: forms.RigForm) -> Any:
    return once(key_of(request), services.create_rig)(actor=person(request), **form.cleaned_data)


def _page_of(rig: Any) -> str:
    return reverse("rig", args=[rig.code])


@page(READ)
def rig(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One rig; a full-width stop where it may not be used. The address on its label leads here."""
    user = person(request)
    found = selectors.get_rig_for(user, code)
    if found.code != code:
        return redirect("rig", found.code)
    applications = applications_for(user, rig=found.code)
    context = {
        "rig": found,
        "stop": _stop(found),
        "actions": _buttons(user, found, failed),
        "refusal": failed.refusal if failed else None,
        "channels": channel_states(found),
        "sensors": selectors.sensors_of(found),
        "zero": zero_of(found),
        "checks": check_states(found),
        "configurations": selectors.configurations_of(found),
        "figures": figures_of_rig(found),
        "may_propose": user.may("rig.propose_figure"),
        "notes": found.notes.select_related("by"),
        "applications": applications[:20],
        "may_apply": user.may("application.apply"),
        "may_configure": user.may("rig.configure"),
        "may_upload": user.may("run.upload"),
        "caution_keys": ALWAYS,
        "came_from": selectors.mounted_blocks(found),
        "went_into": list(applications[:20]),
        "holds": standing_holds("rig", found.code),
        "entries": readable(history_of("rig", found.code)[:50], user),
    }
    return render(request, "rigs/rig.html", context, status=failed.status if failed else 200)


def _buttons(user: Any, found: Any, failed: Failed | None) -> list[dict[str, Any]]:
    """The acts; the form of a change shows what is known now."""
    buttons = RIG.buttons(user, found, failed=failed)
    for button in buttons:
        form = button["form"]
        if isinstance(form, forms.ChangeRigForm) and not form.is_bound:
            form.initial = {name: getattr(found, name, "") for name in form.fields}
    return buttons


@page("rig.configure")
def rig_configure(request: HttpRequest, code: str) -> HttpResponse:
    """Enter a new configuration, filled from the last one."""
    found = selectors.get_rig_for(person(request), code)
    last = selectors.last_configuration(found)
    form = forms.ConfigurationForm(request.POST or None, initial=forms.configuration_initial(last) if last else {})
    channels = forms.ChannelForms(
        request.POST or None,
        initial=forms.channels_initial(last) if last else [{"column": "time", "quantity": "time", "unit": "s"}],
        form_kwargs={"rig": found},
        prefix="channel",
    )
    whole = request.method == "POST" and channels.is_valid()
    done = whole and submitted(request, form, lambda: _configure(request, found, form, channels), to=_rig_of)
    context = {"rig": found, "form": form, "channels": channels}
    status = 422 if request.method == "POST" and not whole else status_of(form)
    return done or render(request, "rigs/configure.html", context, status=status)


def _rig_of(configuration: Any) -> str:
    return _page_of(configuration.rig)


def _configure(request: HttpRequest, found: Any, form: forms.ConfigurationForm, channels: Any) -> Any:
    user, data = person(request), form.values()
    rows = [row for row in channels.forms if row.has_changed() or row.initial]
    specs = [row.spec() for row in rows if not row.cleaned_data.get("DELETE")]
    blocks = services.Blocks(
        selectors.get_block_for(user, data.pop("hot_block")), selectors.get_block_for(user, data.pop("cold_block"))
    )
    return once(key_of(request), services.configure_rig)(found, actor=user, blocks=blocks, channels=specs, **data)


@page(READ)
def sensor(request: HttpRequest, code: str, serial: str) -> HttpResponse:
    """One sensor with every calibration it had; the rig keeper enters the next one here."""
    user = person(request)
    found = selectors.get_sensor_for(user, selectors.get_rig_for(user, code), serial)
    form = _calibration_form(request, found)
    if request.method == "POST":
        require(user, "rig.calibrate")
        done = submitted(request, form, lambda: _calibrate(request, found, form), to=_sensor_of)
        if done:
            return done
    context = {
        "sensor": found,
        "calibrations": selectors.calibrations_of(found),
        "form": form if user.may("rig.calibrate") else None,
        "may_approve": user.may("rig.approve_calibration"),
    }
    return render(request, "rigs/sensor.html", context, status=status_of(form))


@page("rig.approve_calibration")
def calibration_decide(request: HttpRequest, code: str, pk: int, decision: str) -> HttpResponse:
    """Put a proposed calibration into force, or turn it down; the form stands on the sensor's page."""
    user = person(request)
    found = selectors.get_calibration_for(user, selectors.get_rig_for(user, code), pk)
    act = services.approve_calibration if decision == "approve" else services.turn_down_calibration
    once(key_of(request), act)(found, actor=user, reason=request.POST.get("reason", ""))
    return redirect(_sensor_of(found))


@page(READ)
def calibration_effects(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """What a sensor found off did to every figure since its last good point."""
    user = person(request)
    found = selectors.get_calibration_for(user, selectors.get_rig_for(user, code), pk)
    context = {
        "calibration": found,
        "since": last_good_point(found),
        "effects": effects_of(user, found) if found.error_found is not None else [],
    }
    return render(request, "rigs/effects.html", context)


def _calibration_form(request: HttpRequest, found: Any) -> forms.CalibrationForm:
    last = selectors.calibrations_of(found).first()
    first = {"unit": last.unit, "limits": last.limits} if last else {}
    sent = request.POST if request.method == "POST" else None
    return forms.CalibrationForm(sent, request.FILES or None, initial=first)


def _calibrate(request: HttpRequest, found: Any, form: forms.CalibrationForm) -> Any:
    user, data = person(request), form.values()
    file = data.pop("certificate")
    stored = store_file(file, name=file.name, media_type=file.content_type, by=user) if file else None
    return once(key_of(request), services.calibrate)(found, actor=user, certificate=stored, **data)


def _sensor_of(calibration: Any) -> str:
    return reverse("sensor", args=[calibration.sensor.rig.code, calibration.sensor.serial])


def _says(found: Any) -> Says:
    return Says(found.name, tuple(filter(None, (found.type, f"serial number {found.serial}" if found.serial else ""))))


_S = RigState
RIG = RecordPage(
    "rig",
    "rigs",
    selectors.get_rig_for,
    rig,
    (
        RecordAct(
            "take-out", "Take out of service", "rig.out_of_service", services.take_rig_out, ReasonForm,
            states(_S.IN_SERVICE),
        ),
        RecordAct(
            "return", "Return to service", "rig.return_to_service", services.return_rig, ReasonForm,
            states(_S.OUT_OF_SERVICE), main=True,
            hint="Not by the person who took it out or worked on it. Say what shows that it is in order.",
        ),
        RecordAct("note", "Add to the log", "rig.note", services.note_rig, forms.NoteRigForm),
        RecordAct("add-sensor", "Add a sensor", "rig.add_sensor", services.add_sensor, forms.SensorForm),
        RecordAct("change", "Change the facts", "rig.change", services.change_rig, forms.ChangeRigForm),
        *HOLD_ACTS,
    ),
)  # fmt: skip

urlpatterns = [
    path("rigs/", rigs, name="rigs"),
    path("rigs/new/", rig_new, name="rig-new"),
    path("rigs/<str:code>/configure/", rig_configure, name="rig-configure"),
    path("rigs/<str:code>/sensors/<path:serial>/", sensor, name="sensor"),
    path(
        "rigs/<str:code>/calibrations/<int:pk>/approve/",
        require_POST(calibration_decide),
        {"decision": "approve"},
        name="calibration-approve",
    ),
    path(
        "rigs/<str:code>/calibrations/<int:pk>/turn-down/",
        require_POST(calibration_decide),
        {"decision": "turn-down"},
        name="calibration-turn-down",
    ),
    path("rigs/<str:code>/calibrations/<int:pk>/effects/", calibration_effects, name="calibration-effects"),
    *label_paths("rig", "rigs", get=selectors.get_rig_for, says=_says),
    *RIG.paths(),
    path("rigs/<str:code>/", rig, name="rig"),
]
