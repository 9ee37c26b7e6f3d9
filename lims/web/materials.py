"""Materials and suppliers."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.materials import selectors, services
from lims.materials.kinds import KINDS, kind_of, property_of
from lims.web.acts import Failed, RecordAct, RecordPage
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.fields import ReasonForm
from lims.web.forms.materials import (
    ApproveSupplierForm,
    MaterialForm,
    SupplierForm,
    WithdrawSupplierForm,
    material_initial,
)


@page("laboratory.read")
def materials(request: HttpRequest) -> HttpResponse:
    """Every material, by name."""
    text, kind = request.GET.get("text", "").strip(), request.GET.get("kind", "")
    context = {
        "page": paged(request, selectors.materials(text=text, kind=kind)),
        "text": text,
        "kind": kind,
        "kinds": KINDS.values(),
        "may_create": person(request).may("material.create"),
    }
    return render(request, "materials/materials.html", context)


@page("material.create")
def material_new(request: HttpRequest) -> HttpResponse:
    """Name a material."""
    initial = {"kind": request.GET.get("kind", "filler")}
    form = MaterialForm(request.POST or None, initial=initial, prices=person(request).may("recipe.read"))
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.create_material)(actor=person(request), **form.values()),
        to=_address,
    )
    return done or render(request, "materials/material_form.html", {"form": form}, status=status_of(form))


@page("laboratory.read")
def material(request: HttpRequest, code: str) -> HttpResponse:
    """One material: what is known, its hazards, its lots."""
    found = selectors.get_material_for(person(request), code)
    context = {
        "material": found,
        "kind": kind_of(found.kind),
        "lots": selectors.lots(material=found.code)[:50],
        "over_lots": _over_lots(found),
        "entries": readable(history_of("material", found.code)[:50], person(request)),
        "may_change": person(request).may("material.change"),
        "sees_price": person(request).may("recipe.read"),
        "may_receive": person(request).may("lot.receive"),
        "sheets": selectors.sheets_of(found)[:20],
        "incompatibilities": [(row, row.seen_from(found)) for row in selectors.incompatibilities_of(found)],
        "may_add_sheet": person(request).may("material.add_sheet"),
        "may_set_incompatible": person(request).may("material.set_incompatible"),
        "reason_form": ReasonForm(auto_id="withdraw_%s"),
    }
    return render(request, "materials/material.html", context)


def _over_lots(found: Any) -> list[tuple[str, list[Any]]]:
    """Each usual property over the material's lots, where more than one lot has it."""
    rows = [(key, selectors.property_over_lots(found, key)) for key in kind_of(found.kind).properties]
    return [(property_of(key).label, results) for key, results in rows if len(results) > 1]


@page("material.change")
def material_change(request: HttpRequest, code: str) -> HttpResponse:
    """Change what is known of a material."""
    found = selectors.get_material_for(person(request), code)
    sees = person(request).may("recipe.read")
    form = MaterialForm(request.POST or None, initial=material_initial(found), prices=sees)
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.change_material)(
            found, actor=person(request), version=form.cleaned_data["version"], **form.values()
        ),
        to=_address,
    )
    context = {"form": form, "material": found}
    return done or render(request, "materials/material_form.html", context, status=status_of(form))


@page("laboratory.read")
def suppliers(request: HttpRequest) -> HttpResponse:
    """Every supplier, by name."""
    context = {
        "page": paged(request, selectors.suppliers(text=request.GET.get("text", "").strip())),
        "may_create": person(request).may("supplier.create"),
    }
    return render(request, "materials/suppliers.html", context)


@page("supplier.create")
def supplier_new(request: HttpRequest) -> HttpResponse:
    """Name a supplier."""
    form = SupplierForm(request.POST or None)
    done = submitted(
        request,
        form,
        lambda: once(key_of(request), services.create_supplier)(actor=person(request), **form.cleaned_data),
        to=_address,
    )
    return done or render(request, "materials/supplier_form.html", {"form": form}, status=status_of(form))


@page("laboratory.read")
def supplier(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One supplier: whether it is approved, until when, and its lots."""
    found = selectors.get_supplier_for(person(request), code)
    context = {
        "supplier": found,
        "actions": SUPPLIER.buttons(person(request), found, failed=failed),
        "lots": selectors.lots_with_stock().filter(supplier=found).select_related("material").order_by("-id")[:50],
        "standings": selectors.standings_of(found),
        "evaluations": selectors.evaluations_of(found)[:50],
        "entries": readable(history_of("supplier", found.code)[:50], person(request)),
    }
    return render(request, "materials/supplier.html", context, status=failed.status if failed else 200)


def _address(record: Any) -> str:
    return reverse(record.record_kind, args=[record.code])


def _values(form: Any) -> dict[str, Any]:
    found: dict[str, Any] = form.values()
    return found


SUPPLIER = RecordPage(
    "supplier",
    "suppliers",
    selectors.get_supplier_for,
    supplier,
    (
        RecordAct(
            "approve",
            "Approve",
            "supplier.approve",
            services.approve_supplier,
            ApproveSupplierForm,
            main=True,
            values=_values,
        ),
        RecordAct(
            "withdraw",
            "Take the approval back",
            "supplier.approve",
            services.withdraw_supplier_approval,
            WithdrawSupplierForm,
            values=_values,
            shown=lambda user, record: any(s.approved for s in selectors.standings_of(record)),
        ),
    ),
)

urlpatterns = [
    path("materials/", materials, name="materials"),
    path("materials/new/", material_new, name="material-new"),
    path("materials/<str:code>/", material, name="material"),
    path("materials/<str:code>/change/", material_change, name="material-change"),
    path("suppliers/", suppliers, name="suppliers"),
    path("suppliers/new/", supplier_new, name="supplier-new"),
    *SUPPLIER.paths(),
    path("suppliers/<str:code>/", supplier, name="supplier"),
]
