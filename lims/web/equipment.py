"""Equipment at the bench: balances, mixers and the like, their calibrations, and whether each may be used."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.files.services import store_file
from lims.formulations import selectors, services
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.equipment import BenchCalibrationForm, BenchEquipmentForm
from lims.web.forms.fields import ReasonForm
from lims.web.labels import MAKERS, Says, label_paths

READ = "laboratory.read"


@page(READ)
def equipment_list(request: HttpRequest) -> HttpResponse:
    """Every balance, mixer and other piece, and whether it may be used today."""
    text, kind = request.GET.get("text", "").strip(), request.GET.get("kind", "")
    listed = paged(request, selectors.equipment(kind=kind, text=text))
    context = {
        "page": listed,
        "rows": [(row, selectors.why_not_fit(row)) for row in listed],
        "text": text,
        "kind": kind,
        "kinds": selectors.EQUIPMENT_KINDS,
        "may_keep": person(request).may("equipment.keep"),
    }
    return render(request, "equipment/list.html", context)


@page("equipment.keep")
def equipment_new(request: HttpRequest) -> HttpResponse:
    """Take a piece of equipment in."""
    form = BenchEquipmentForm(request.POST or None)

    def add() -> Any:
        return once(key_of(request), services.add_equipment)(actor=person(request), **form.values())

    done = submitted(request, form, add, to=lambda made: reverse("equipment", args=[made.code]))
    return done or render(request, "equipment/new.html", {"form": form}, status=status_of(form))


@page(READ)
def equipment(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One piece of equipment; a full-width stop where it may not be used. The address on its label leads here."""
    user = person(request)
    found = selectors.get_equipment_for(user, code)
    if found.code != code:
        return redirect("equipment", found.code)
    context = {
        "equipment": found,
        "stop": selectors.why_not_fit(found),
        "actions": EQUIPMENT.buttons(user, found, failed=failed),
        "refusal": failed.refusal if failed else None,
        "calibrations": selectors.calibrations_of(found),
        "uses": selectors.uses_of_equipment(found),
        "caution_keys": ["mixer"] if found.kind == "mixer" else [],
        "entries": readable(history_of(found.record_kind, found.code)[:50], user),
    }
    return render(request, "equipment/equipment.html", context, status=failed.status if failed else 200)


def _calibrate(row: Any, *, actor: Any, key: str | None, file: Any, **facts: Any) -> Any:
    stored = store_file(file, name=file.name, media_type=file.content_type, by=actor) if file else None
    return once(key, services.note_calibration)(row, actor=actor, file=stored, **facts)


def _take_out(found: Any, *, actor: Any, key: str | None, reason: str) -> Any:
    return once(key, services.set_service)(found, actor=actor, in_service=False, reason=reason)


def _bring_back(found: Any, *, actor: Any, key: str | None, reason: str) -> Any:
    return once(key, services.set_service)(found, actor=actor, in_service=True, reason=reason)


def _says(found: Any) -> Says:
    lines = (found.type, f"serial number {found.serial}" if found.serial else "", found.location)
    return Says(found.name, tuple(filter(None, lines)))


EQUIPMENT = RecordPage(
    "equipment",
    "equipment",
    selectors.get_equipment_for,
    equipment,
    (
        RecordAct(
            "calibrate",
            "Enter a calibration",
            "equipment.keep",
            _calibrate,
            BenchCalibrationForm,
            hint="Calibrations are never edited; those before stay on record.",
        ),
        RecordAct(
            "take-out", "Take out of service", "equipment.keep", _take_out, ReasonForm, states("in_service"),
        ),
        RecordAct(
            "return", "Return to service", "equipment.keep", _bring_back, ReasonForm, states("out_of_service"),
            main=True, hint="Say what shows that it is in order.",
        ),
    ),
)  # fmt: skip

urlpatterns = [
    path("equipment/", equipment_list, name="equipment-list"),
    path("equipment/new/", equipment_new, name="equipment-new"),
    *label_paths("equipment", "equipment", get=selectors.get_equipment_for, says=_says),
    *EQUIPMENT.paths(),
    path("equipment/<str:code>/", equipment, name="balance"),
    path("equipment/<str:code>/", equipment, name="mixer"),
    path("equipment/<str:code>/", equipment, name="equipment"),
]
# a label is printed by the kind of its code; all of these lead to the one page
MAKERS |= {"balance": MAKERS["equipment"], "mixer": MAKERS["equipment"]}
