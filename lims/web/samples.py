"""Samples: register, hand over, split, retain, dispose; where each is and what was done with it."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.cases.selectors import standing_holds
from lims.core.quantities import from_si, spread_from_si
from lims.rigs.selectors import get_block_for
from lims.runs.selectors.applications import applications_for, counts_of_sample, permits_of
from lims.runs.services.applications import permit_block
from lims.runs.services.blinding import lock_results, reveal_sample
from lims.samples import selectors, services
from lims.samples.states import SampleState
from lims.web.acts import Failed, RecordAct, RecordPage, states
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms import samples as forms
from lims.web.forms.fields import ReasonForm
from lims.web.forms.values import shown
from lims.web.holds import HOLD_ACTS
from lims.web.labels import Says, label_paths
from lims.web.rows import filled, head_form, is_adding, row_set

READ = "laboratory.read"


@page(READ)
def samples(request: HttpRequest) -> HttpResponse:
    """Every sample, newest first."""
    form = forms.SampleFilter(request.GET)
    chosen = form.cleaned_data if form.is_valid() else {}
    user = person(request)
    context = {
        "page": paged(request, selectors.samples_for(user, **chosen)),
        "filter": form,
        "filtered": any(chosen.values()),
        "may_register": user.may("sample.register"),
    }
    return render(request, "samples/samples.html", context)


@page("sample.register")
def sample_new(request: HttpRequest) -> HttpResponse:
    """Register a sample and take it into custody."""
    first = {"source": request.GET.get("batch") or request.GET.get("lot") or ""}
    form = forms.SampleForm(request.POST or None, initial=first)
    if not person(request).may("sample.blind"):
        form.fields.pop("blind")
    done = submitted(request, form, lambda: _register(request, form), to=_page_of)
    return done or render(request, "samples/sample_new.html", {"form": form}, status=status_of(form))


def _page_of(sample: Any) -> str:
    return reverse("sample", args=[sample.code])


def _register(request: HttpRequest, form: forms.SampleForm) -> Any:
    user, data = person(request), form.values()
    kind, code = data.pop("source") or ("", "")
    source = selectors.get_source_for(user, kind, code)
    service = services.register_blind_sample if data.pop("blind", False) else services.register_sample
    return once(key_of(request), service)(actor=user, source=source, **data)


@page("sample.register")
def sheets_new(request: HttpRequest) -> HttpResponse:
    """Register sheets of several thicknesses at once."""
    form = head_form(request, forms.SheetsForm, initial={"source": request.GET.get("batch", "")})
    rows = row_set(request, forms.SheetForm, prefix="sheets")
    done = None
    if request.method == "POST" and not is_adding(request):
        if rows.is_valid():
            done = submitted(request, form, lambda: _register_sheets(request, form, rows), to=_page_of)
        else:
            form.is_valid()
            form.add_error(None, "Some rows are not right. What you typed is still here.")
    return done or render(request, "samples/sheets_new.html", {"form": form, "rows": rows}, status=status_of(form))


def _register_sheets(request: HttpRequest, form: forms.SheetsForm, rows: Any) -> Any:
    user, data = person(request), form.values()
    kind, code = data.pop("source") or ("", "")
    sheets = [services.Sheet(**forms.sheet_of(row)) for row in filled(rows)]
    source = selectors.get_source_for(user, kind, code)
    return once(key_of(request), services.register_sheets)(sheets, actor=user, source=source, **data)


@page(READ)
def sample(request: HttpRequest, code: str, *, failed: Failed | None = None) -> HttpResponse:
    """One sample: where it came from, who has it, what was done with it."""
    user = person(request)
    found = selectors.get_sample_for(user, code)
    if found.code != code:
        return redirect("sample", found.code)
    applications = applications_for(user, sample=found.code)
    context = {
        "sample": found,
        "actions": SAMPLE.buttons(user, found, failed=failed),
        "refusal": failed.refusal if failed else None,
        "custody": selectors.custody_of(found),
        "holder": selectors.last_event(found),
        "limits": selectors.why_not_applicable(found),
        "caution_keys": selectors.cautions_of(found),
        "applications": applications[:50],
        "counts": counts_of_sample(found),
        "permits": permits_of(found),
        "may_apply": user.may("application.apply") and found.state in ("held", "in_test"),
        "identity": selectors.identity_of(user, found),
        "lifted": selectors.lifted_of(found),
        "sheets": [_sheet(row) for row in selectors.sheets_of(found)],
        "thickness": _sheet(found),
        "came_from": [part for part in (found.parent, found.batch, found.lot) if part],
        "went_into": [*found.portions.order_by("id"), *applications[:20]],
        "holds": standing_holds("sample", found.code),
        "entries": readable(history_of("sample", found.code)[:50], user),
    }
    return render(request, "samples/sample.html", context, status=failed.status if failed else 200)


def _sheet(found: Any) -> dict[str, Any]:
    """A sheet with its thickness in the unit people read it in."""
    measured = found.thickness
    return {
        "sample": found,
        "nominal": shown(found.nominal_thickness, unit="mm", of="length"),
        "measured": None if measured is None else {
            "value": from_si(measured, unit="mm", of="length"),
            "u": spread_from_si(found.thickness_u, unit="mm", of="length"),
            "unit": "mm",
        },
    }  # fmt: skip


def _permit(found: Any, *, actor: Any, key: str | None, block: str, reason: str) -> Any:
    return once(key, permit_block)(found, actor=actor, block=get_block_for(actor, block), reason=reason)


def _says(found: Any) -> Says:
    return Says(**selectors.says_of(found))


_S = SampleState
_IN_HAND = states(_S.HELD, _S.IN_TEST, _S.RETAINED, _S.CONSUMED)
SAMPLE = RecordPage(
    "sample",
    "samples",
    selectors.get_sample_for,
    sample,
    (
        RecordAct(
            "take", "Take into custody", "sample.register", services.take_sample, forms.TakeForm, states(_S.REGISTERED),
            main=True,
        ),
        RecordAct("refuse", "Refuse", "sample.refuse", services.refuse_sample, ReasonForm, states(_S.REGISTERED)),
        RecordAct("move", "Move or hand over", "sample.move", services.move_sample, forms.MoveForm, _IN_HAND),
        RecordAct("note", "Opened, thawed, degassed", "sample.move", services.note_custody, forms.NoteForm, _IN_HAND),
        RecordAct(
            "excursion", "Outside its storage condition", "sample.move", services.note_excursion, forms.ExcursionForm,
            _IN_HAND, values=lambda form: form.values(),
            hint="It goes with the sample: a later test asks for a reason, and every figure says so.",
        ),
        RecordAct(
            "split", "Split", "sample.split", services.split_sample, forms.SplitForm, states(_S.HELD),
            values=lambda form: form.values(),
            hint="The portion becomes a sample of its own and keeps this one as parent.",
        ),
        RecordAct(
            "return", "Return from test", "sample.use", services.return_sample, forms.PlaceForm, states(_S.IN_TEST)
        ),
        RecordAct(
            "lock-results", "Lock the results", "run.lock", lock_results, None, None,
            shown=lambda _user, found: found.is_blind and bool(counts_of_sample(found).runs),
        ),
        RecordAct(
            "reveal", "Reveal what it is", "sample.unblind", reveal_sample, ReasonForm, None,
            shown=lambda _user, found: found.is_blind,
            hint="Only once its results are locked. It is kept in the history.",
        ),
        RecordAct("use-up", "Used up", "sample.use", services.use_up_sample, None, states(_S.IN_TEST)),
        RecordAct("retain", "Retain", "sample.retain", services.retain_sample, forms.RetainForm, states(_S.HELD)),
        RecordAct(
            "release-for-retest", "Release for a retest", "sample.release_for_retest",
            services.release_sample_for_retest, ReasonForm, states(_S.RETAINED),
        ),
        RecordAct(
            "dispose", "Dispose", "sample.dispose", services.dispose_sample, ReasonForm,
            states(_S.HELD, _S.RETAINED, _S.CONSUMED),
            hint="Follow the safety data sheet and your site's rules for waste.",
        ),
        RecordAct(
            "permit-block", "Permit on a block it attacks", "sample.permit_block", _permit, forms.PermitForm,
            states(_S.HELD, _S.IN_TEST), shown=lambda _user, found: selectors.attacks(found, "aluminium"),
            hint="The alloy makes aluminium brittle. Permit it only on a block that may be scrapped.",
        ),
        RecordAct(
            "void", "Void", "sample.void", services.void_sample, ReasonForm, states(_S.REGISTERED),
            hint="Only for a sample that was registered by mistake. Its code is never given again.",
        ),
        *HOLD_ACTS,
    ),
)  # fmt: skip

urlpatterns = [
    path("samples/", samples, name="samples"),
    path("samples/sheets/new/", sheets_new, name="sheets-new"),
    path("samples/new/", sample_new, name="sample-new"),
    *label_paths("sample", "samples", get=selectors.get_sample_for, says=_says),
    *SAMPLE.paths(),
    path("samples/<str:code>/", sample, name="sample"),
]
