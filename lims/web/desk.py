"""The receiving desk beside the lots: make lots of lots, size distributions, longer lives, sheets, places."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from lims.accounts.acts import once, require
from lims.audit.selectors import history_of, readable
from lims.files.selectors import get_file_for
from lims.files.services import store_file
from lims.materials import selectors, services
from lims.quality import services as quality
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms import desk as forms
from lims.web.forms.fields import ReasonForm
from lims.web.forms.materials import read_hazards
from lims.web.labels import Says, label_paths
from lims.web.rows import filled, head_form, is_adding, row_set

READ = "laboratory.read"


def with_file(request: HttpRequest, *, field: str) -> tuple[Any, Any]:
    """A form's data with the digest of the file that came in `field`, kept at once so that no slip loses it."""
    if request.method != "POST":
        return None, None
    sent, file, name = request.POST.copy(), request.FILES.get(field), f"{field}_digest"
    if file is not None and file.size:
        stored = store_file(file, name=str(file.name), media_type=file.content_type or "", by=person(request))
        sent[name] = stored.sha256
        return sent, stored
    digest = sent.get(name)
    return sent, get_file_for(person(request), digest) if digest else None


def address_of(record: Any) -> str:
    """The page of a record."""
    return reverse(record.record_kind, args=[record.record_code])


def _page_of_owner(row: Any) -> str:
    kind, code = row.history_subject
    return reverse(kind, args=[code])


@page("export.selection")
def lots_file(request: HttpRequest) -> Any:
    """The results of the lots of the list as CSV, every property a column."""
    require(person(request), "laboratory.read")
    asked = {name: request.GET.get(name, "").strip() for name in ("text", "state", "material")}
    lines = selectors.results_lines(selectors.lots(**asked))
    response = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = 'attachment; filename="lots.csv"'
    return response


# Lots of lots ---------------------------------------------------------------------------------------------------------


@page("lot.treat")
def lot_make(request: HttpRequest) -> HttpResponse:
    """Blend or treat: the lots that go in, how, and what came out."""
    first = request.GET.get("from", "")
    form = head_form(request, forms.MakeForm, initial={"origin": request.GET.get("origin", "treatment")})
    parts = row_set(request, forms.PartForm, prefix="parts", initial=[{"lot": first, "unit": "g"}] if first else [])
    done = None
    if request.method == "POST" and not is_adding(request):
        if parts.is_valid():
            done = submitted(request, form, lambda: _make(request, form, parts), to=address_of)
        else:
            form.is_valid()
            form.add_error(None, "Some rows are not right. What you typed is still here.")
    context = {"form": form, "parts": parts, "places": forms.place_names()}
    return done or render(request, "lots/lot_make.html", context, status=status_of(form))


def _make(request: HttpRequest, form: Any, parts: Any) -> Any:
    user, values = person(request), form.values()
    code = values.pop("material")
    given = [forms.part_of(row, selectors.get_lot_for(user, row["lot"])) for row in filled(parts) if row["lot"]]
    act = services.blend_lots if form.cleaned_data["origin"] == "blend" else services.treat_lot
    material = selectors.get_material_for(user, code) if code else None
    return once(key_of(request), act)(given, actor=user, material=material, **values)


@page("lot.split")
def lot_split(request: HttpRequest, code: str) -> HttpResponse:
    """Part some of a lot off as a lot of its own; leads to the new one."""
    found = selectors.get_lot_for(person(request), code)
    form = forms.SplitForm(request.POST or None)
    act = once(key_of(request), services.split_lot)
    done = submitted(request, form, lambda: act(found, actor=person(request), **form.values()), to=address_of)
    context = {"form": form, "lot": found, "places": forms.place_names()}
    return done or render(request, "lots/lot_split.html", context, status=status_of(form))


# Size distributions ---------------------------------------------------------------------------------------------------


@page("lot.add_sizes")
def lot_sizes_new(request: HttpRequest, code: str) -> HttpResponse:
    """Enter a whole size distribution."""
    found = selectors.get_lot_for(person(request), code)
    sent, kept = with_file(request, field="file")
    form = forms.SizesForm(sent, request.FILES or None)
    done = submitted(request, form, lambda: _add_sizes(request, form, found, kept), to=_page_of_owner)
    context = {"form": form, "lot": found, "kept": kept}
    return done or render(request, "lots/lot_sizes_new.html", context, status=status_of(form))


def _add_sizes(request: HttpRequest, form: Any, found: Any, kept: Any) -> Any:
    values = {name: value for name, value in form.cleaned_data.items() if name not in ("file", "file_digest")}
    return once(key_of(request), services.add_size_distribution)(found, actor=person(request), file=kept, **values)


@page(READ)
def lot_sizes_plot(request: HttpRequest, code: str) -> HttpResponse:
    """The size distributions of a lot as a plot."""
    return JsonResponse(selectors.plot_of_sizes(selectors.get_lot_for(person(request), code)))


# How long a lot lasts -------------------------------------------------------------------------------------------------


@page("lot.extend_life")
def lot_extend_life(request: HttpRequest, code: str) -> HttpResponse:
    """Sign a longer life on results of a retest."""
    found = selectors.get_lot_for(person(request), code)
    form = forms.LifeForm(request.POST or None, offered=selectors.retest_results(found))

    def extend() -> Any:
        data = form.cleaned_data
        return once(key_of(request), quality.extend_lot_life)(
            found, actor=person(request), password=data["password"], life=form.life(), reason=data["reason"]
        )

    done = submitted(request, form, extend, to=address_of)
    return done or render(request, "lots/lot_extend_life.html", {"form": form, "lot": found}, status=status_of(form))


# Safety data sheets and what must not meet ----------------------------------------------------------------------------


@page("material.add_sheet")
def sheet_new(request: HttpRequest, code: str) -> HttpResponse:
    """Type what a safety data sheet says of a material; `?lot=` makes it that lot's own."""
    user = person(request)
    material = selectors.get_material_for(user, code)
    lot = selectors.get_lot_for(user, request.GET["lot"]) if request.GET.get("lot") else None
    sent, kept = with_file(request, field="file")
    initial = {"supplier": lot.supplier.code if lot and lot.supplier else ""}
    form = forms.SheetForm(sent, request.FILES or None, initial=initial)
    back = lot or material
    done = submitted(
        request, form, lambda: _add_sheet(request, form, material, lot, kept), to=lambda _sheet: address_of(back)
    )
    context = {"form": form, "material": material, "lot": lot, "kept": kept, "back": address_of(back)}
    return done or render(request, "materials/sheet_new.html", context, status=status_of(form))


def _add_sheet(request: HttpRequest, form: Any, material: Any, lot: Any, kept: Any) -> Any:
    user, data = person(request), form.cleaned_data
    return once(key_of(request), services.add_safety_sheet)(
        material,
        actor=user,
        source=data["source"],
        statements=read_hazards(data["statements"]),
        supplier=selectors.get_supplier_for(user, data["supplier"]) if data["supplier"] else None,
        file=kept,
        issued_on=data["issued_on"],
        signal=data["signal"],
        pictograms=data["pictograms"].replace(",", " ").split(),
        lot=lot,
    )


@page("material.set_incompatible")
def incompatible_new(request: HttpRequest, code: str) -> HttpResponse:
    """Record what a material must not meet."""
    material = selectors.get_material_for(person(request), code)
    form = forms.IncompatibleForm(request.POST or None)
    act = once(key_of(request), services.set_incompatible)
    done = submitted(
        request,
        form,
        lambda: act(material, actor=person(request), **form.values()),
        to=lambda _row: address_of(material),
    )
    context = {"form": form, "material": material}
    return done or render(request, "materials/incompatible_new.html", context, status=status_of(form))


@require_POST
@page("material.set_incompatible")
def incompatible_withdraw(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Take a record of incompatibility back, with a reason."""
    material = selectors.get_material_for(person(request), code)
    row = selectors.get_incompatibility_of(material, number)
    form = ReasonForm(request.POST)
    reason = form.cleaned_data["reason"] if form.is_valid() else ""
    services.withdraw_incompatible(row, actor=person(request), reason=reason)
    return redirect(address_of(material))


# Places ---------------------------------------------------------------------------------------------------------------


@page(READ)
def places(request: HttpRequest) -> HttpResponse:
    """Every storage place, by name."""
    context = {"page": paged(request, selectors.places()), "may_create": person(request).may("place.create")}
    return render(request, "places/places.html", context)


@page("place.create")
def place_new(request: HttpRequest) -> HttpResponse:
    """Name a storage place."""
    form = forms.PlaceForm(request.POST or None)
    act = once(key_of(request), services.create_place)
    done = submitted(request, form, lambda: act(actor=person(request), **form.cleaned_data), to=address_of)
    return done or render(request, "places/place_new.html", {"form": form}, status=status_of(form))


@page(READ)
def place(request: HttpRequest, code: str) -> HttpResponse:
    """One storage place and the lots in it."""
    user = person(request)
    found = selectors.get_place_for(user, code)
    context = {
        "place": found,
        "page": paged(request, selectors.lots_in(found)),
        "entries": readable(history_of("place", found.code)[:50], user),
    }
    return render(request, "places/place.html", context)


def _says(found: Any) -> Says:
    return Says(found.name, (found.condition,))


urlpatterns = [
    path("lots.csv", lots_file, name="lots-file"),
    path("lots/make/", lot_make, name="lot-make"),
    path("lots/<str:code>/split/", lot_split, name="lot-split"),
    path("lots/<str:code>/sizes/new/", lot_sizes_new, name="lot-sizes-new"),
    path("lots/<str:code>/sizes.json", lot_sizes_plot, name="lot-sizes-plot"),
    path("lots/<str:code>/extend-life/", lot_extend_life, name="lot-extend-life"),
    path("materials/<str:code>/sheets/new/", sheet_new, name="sheet-new"),
    path("materials/<str:code>/incompatible/new/", incompatible_new, name="incompatible-new"),
    path(
        "materials/<str:code>/incompatible/<int:number>/withdraw/", incompatible_withdraw, name="incompatible-withdraw"
    ),
    path("places/", places, name="places"),
    path("places/new/", place_new, name="place-new"),
    *label_paths("place", "places", get=selectors.get_place_for, says=_says),
    path("places/<str:code>/", place, name="place"),
]
