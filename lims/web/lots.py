"""Lots: receive, test, label; quality's decision on them stands in `lims.quality`."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.clickjacking import xframe_options_sameorigin

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.core.errors import Refusal
from lims.core.labels import Label, draw, symbol_svg
from lims.files.selectors import get_file_for
from lims.materials import selectors, services
from lims.materials.states import LotState
from lims.quality import services as quality
from lims.quality.selectors import standing_of_lot
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.certificates import certificates_context
from lims.web.desk import with_file
from lims.web.doors import key_of, page, paged, person, put_refusal, status_of, submitted
from lims.web.forms.desk import MoveForm, OpenForm, SymbolForm, place_names
from lims.web.forms.fields import ReasonForm, SignForm
from lims.web.forms.materials import GiveBackForm, LotFilter, LotForm, ResultForm, StockForm
from lims.web.labels import MAKERS
from lims.web.standing import CASE_ACTS, DecideForm, concession_acts, standing_context, why_not_released


@page("laboratory.read")
def lots(request: HttpRequest) -> HttpResponse:
    """Every lot, newest first."""
    form = LotFilter(request.GET, states=[*LotState.choices, (selectors.EXPIRED, "expired")])
    chosen = form.cleaned_data if form.is_valid() else {"text": "", "state": ""}
    context = {
        "page": paged(request, selectors.lots(text=chosen["text"].strip(), state=chosen["state"])),
        "filter": form,
        "filtered": any(chosen.values()),
        "may_receive": person(request).may("lot.receive"),
    }
    return render(request, "lots/lots.html", context)


@page("lot.receive")
def lot_new(request: HttpRequest) -> HttpResponse:
    """Receive a delivery. A certificate is kept at once, so that a slip elsewhere on the page does not lose it."""
    sent, kept = with_file(request, field="certificate")
    scan = SymbolForm(request.GET if "symbol" in request.GET else None)
    symbol = _scanned(scan)
    initial = {"material": request.GET.get("material", "")} | (_filled(symbol) if symbol else {})
    form = LotForm(sent, request.FILES or None, initial=initial)
    done = submitted(request, form, lambda: _receive(request, form), to=lambda lot: reverse("lot", args=[lot.code]))
    context = {"form": form, "kept": kept, "scan": scan, "symbol": symbol, "places": place_names()}
    context["known"] = selectors.product_called(symbol.gtin) if symbol and symbol.gtin else None
    return done or render(request, "lots/lot_new.html", context, status=max(status_of(form), status_of(scan)))


def _scanned(scan: SymbolForm) -> Any:
    """What a supplier's symbol says; one that cannot be read comes back with the reason at its field."""
    if not scan.is_bound or not scan.is_valid():
        return None
    try:
        return selectors.symbol_in(scan.cleaned_data["symbol"])
    except Refusal as refusal:
        put_refusal(scan, refusal)
        return None


def _filled(symbol: Any) -> dict[str, Any]:
    """What a symbol fills into the receipt; the person looks at it before anything is kept."""
    known = selectors.product_called(symbol.gtin) if symbol.gtin else None
    found = {name: getattr(symbol, name) for name in ("serial", "made_on", "expires_on", "mass", "gtin")}
    found |= {"supplier_lot": symbol.lot}
    if known is not None:
        found |= {"material": known.material.code, "supplier": known.supplier.code}
    return {name: value for name, value in found.items() if value}


def _receive(request: HttpRequest, form: LotForm) -> Any:
    user, data = person(request), form.values()
    data.pop("certificate")
    digest, supplier = data.pop("certificate_digest"), data.pop("supplier")
    return once(key_of(request), services.receive_lot)(
        actor=user,
        material=selectors.get_material_for(user, data.pop("material")),
        supplier=selectors.get_supplier_for(user, supplier) if supplier else None,
        certificate=get_file_for(user, digest) if digest else None,
        **data,
    )


@page("laboratory.read")
def lot(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One lot: where it came from, what it went into, what was measured, what is left."""
    user = person(request)
    found = selectors.get_lot_for(user, code)
    if found.code != code:
        return redirect("lot", found.code)  # the code of one of its containers
    context = {
        "lot": found,
        "actions": _buttons(user, found, failed),
        "refusal": failed.refusal if failed else None,
        "results": selectors.results_of(found),
        "ledger": selectors.ledger_of(found),
        "balance": selectors.balance_of(found),
        "ancestors": selectors.ancestors_of(found),
        "descendants": selectors.descendants_of(found),
        "reservations": selectors.reservations_of(found),
        "distributions": selectors.distributions_of(found),
        "extensions": selectors.extensions_of(found),
        "may": {name: user.may(f"lot.{name}") for name in ("split", "treat", "add_sizes", "extend_life")},
        "may_add_sheet": user.may("material.add_sheet"),
        "open_to_work": found.state not in (LotState.REJECTED, LotState.DISPOSED, LotState.VOID),
        "containers": selectors.container_codes(found),
        "places": place_names(),
        "may_see_uses": user.may("recipe.read"),
        "secret_kinds": ("weighing", "blend", "treatment"),
        "entries": readable(history_of("lot", found.code)[:50], user),
        "came_from": [*filter(None, [found.supplier]), found.material, *found.parents.all()],
        "went_into": _uses(found),
        **standing_context("lot", found, standing_of_lot(found)),
        **certificates_context(user, "lot", found),
    }
    return render(request, "lots/lot.html", context, status=failed.status if failed else 200)


def _buttons(user: Any, found: Any, failed: Failed | None) -> list[dict[str, Any]]:
    """The acts; the form that gives stock back offers the batches that have some."""
    buttons = LOT.buttons(user, found, failed=failed)
    for form in (button["form"] for button in buttons):
        if isinstance(form, GiveBackForm):
            choices = [(kept.cause, kept.cause) for kept in selectors.reservations_of(found)]
            form.fields["cause"].widget.choices = choices
    return buttons


def _uses(found: Any) -> list[str]:
    causes = selectors.ledger_of(found).exclude(cause__in=("", found.code)).values_list("cause", flat=True)
    return list(dict.fromkeys(causes))


@page("laboratory.read")
def lot_label(request: HttpRequest, code: str) -> HttpResponse:
    """The label as a page, to look at and to print."""
    label = _label(request, selectors.get_lot_for(person(request), code))
    found = selectors.get_lot_for(person(request), code)
    context = {"label": label, "symbol": symbol_svg(label), "lot": found, "container": request.GET.get("container", "")}
    return render(request, "lots/lot_label.html", context | {"containers": selectors.container_codes(found)})


@xframe_options_sameorigin
@page("laboratory.read")
def lot_label_file(request: HttpRequest, code: str, kind: str) -> HttpResponse:
    """The label as PDF or PNG, for a sheet or for a label printer."""
    label = _label(request, selectors.get_lot_for(person(request), code))
    drawn = draw(label, kind="png" if kind == "png" else "pdf", size=request.GET.get("size", "sheet"))
    response = HttpResponse(drawn, content_type="image/png" if kind == "png" else "application/pdf")
    response["Content-Disposition"] = f'inline; filename="{label.code}.{kind}"'
    return response


def _label(request: HttpRequest, found: Any) -> Label:
    code, container = _container(request, found)
    expiry = f", expires {found.expires_on.isoformat()}" if found.expires_on else ""
    return Label(
        address=request.build_absolute_uri(reverse("code", args=[code])),
        code=code,
        title=found.material.name,
        lines=(f"received {found.received_on.isoformat()}{expiry}", _whose(found), *container),
        hazards=tuple(h["code"] or h["text"] for h in found.hazards),
        storage=found.storage,
        pictograms=tuple(found.safety_sheet.pictograms) if found.safety_sheet else (),
    )


MAKERS["lot"] = lambda request, code: _label(request, selectors.get_lot_for(person(request), code))


def _container(request: HttpRequest, found: Any) -> tuple[str, tuple[str, ...]]:
    """The code and the words of the container that a label is for; the lot's own where it is for none."""
    asked, codes = request.GET.get("container", ""), selectors.container_codes(found)
    if not asked.isdigit() or not 1 <= int(asked) <= found.containers or len(codes) == 1:
        return found.code, ()
    return codes[int(asked) - 1], (f"container {int(asked)} of {found.containers}",)


def _whose(found: Any) -> str:
    """Whose number the lot has, or how it was made."""
    if found.supplier_lot:
        return f"supplier's lot {found.supplier_lot}"
    return f"{found.get_origin_display()} here"


_S = LotState
_STANDS = states(*(s for s in _S if s not in (_S.DISPOSED, _S.VOID)))
LOT = RecordPage(
    "lot",
    "lots",
    selectors.get_lot_for,
    lot,
    (
        RecordAct(
            "start-test", "Start the test", "lot.start_test", services.start_lot_test, None, states(_S.QUARANTINE), True
        ),
        RecordAct(
            "release",
            "Release",
            "lot.release",
            quality.release_lot,
            DecideForm,
            states(_S.UNDER_TEST),
            main=True,
            why_not=lambda user, record: why_not_released(standing_of_lot(record)),
        ),
        RecordAct("reject", "Reject", "lot.reject", quality.reject_lot, SignForm, states(_S.UNDER_TEST)),
        RecordAct(
            "add-result",
            "Enter a result",
            "lot.add_result",
            quality.record_lot_result,
            ResultForm,
            _STANDS,
            values=lambda form: form.values(),
            done="The result stands on {code}.",
        ),
        RecordAct(
            "adjust-stock",
            "Correct the stock",
            "lot.adjust_stock",
            services.adjust_stock,
            StockForm,
            _STANDS,
            values=lambda form: form.values(),
        ),
        RecordAct(
            "give-back",
            "Give kept stock back",
            "lot.give_back",
            services.give_back_stock,
            GiveBackForm,
            shown=lambda user, record: bool(selectors.reservations_of(record)),
            hint="The batch stays planned; what it needs must then be found again.",
        ),
        RecordAct("move", "Move", "lot.move", services.move_lot, MoveForm, _STANDS),
        RecordAct(
            "open",
            "Note the opening",
            "lot.open",
            services.open_lot,
            OpenForm,
            _STANDS,
            shown=lambda user, record: record.opened_on is None,
        ),
        RecordAct(
            "reassess",
            "Test again",
            "lot.reassess",
            services.reassess_lot,
            ReasonForm,
            states(_S.RELEASED, _S.RESTRICTED),
            hint="The lot cannot be used until quality has decided anew.",
        ),
        RecordAct(
            "withdraw-release",
            "Take the release back",
            "lot.withdraw_release",
            quality.withdraw_lot_release,
            SignForm,
            states(_S.RELEASED, _S.RESTRICTED),
        ),
        RecordAct(
            "dispose",
            "Dispose or return",
            "lot.dispose",
            services.dispose_lot,
            ReasonForm,
            states(_S.QUARANTINE, _S.REJECTED),
        ),
        RecordAct(
            "void",
            "Void",
            "lot.void",
            services.void_lot,
            ReasonForm,
            states(_S.QUARANTINE),
            hint="Only for a lot that was entered by mistake. Its code is never given again.",
        ),
        *concession_acts("lot", quality.propose_lot_concession, quality.approve_lot_concession),
        *CASE_ACTS,
    ),
)

urlpatterns = [
    path("lots/", lots, name="lots"),
    path("lots/new/", lot_new, name="lot-new"),
    path("lots/<str:code>/label/", lot_label, name="lot-label"),
    path("lots/<str:code>/label.<str:kind>", lot_label_file, name="lot-label-file"),
    *LOT.paths(),
    path("lots/<path:code>/", lot, name="lot"),
]
