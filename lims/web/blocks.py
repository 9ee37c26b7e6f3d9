"""Blocks: the faces samples are pressed between."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse

from lims.accounts.acts import once
from lims.audit.selectors import history_of, readable
from lims.rigs import selectors, services
from lims.runs.selectors.applications import applications_on, uses_of
from lims.web.doors import key_of, page, paged, person, status_of, submitted
from lims.web.forms.rigs import BLOCK_UNITS, BlockForm
from lims.web.forms.values import shown
from lims.web.labels import Says, label_paths

READ = "laboratory.read"


@page(READ)
def blocks(request: HttpRequest) -> HttpResponse:
    """Every block."""
    user = person(request)
    listed = paged(request, selectors.blocks_for(user))
    rows = [{"block": block, "uses": uses_of(block), **_shown(block)} for block in listed]
    context = {"page": listed, "rows": rows, "may_create": user.may("block.create")}
    return render(request, "rigs/blocks.html", context)


@page("block.create")
def block_new(request: HttpRequest) -> HttpResponse:
    """Take a block in."""
    form = BlockForm(request.POST or None)
    done = submitted(request, form, lambda: _create(request, form), to=_page_of)
    return done or render(request, "rigs/block_new.html", {"form": form}, status=status_of(form))


def _create(request: HttpRequest, form: BlockForm) -> Any:
    return once(key_of(request), services.create_block)(actor=person(request), **form.values())


def _page_of(block: Any) -> str:
    return reverse("block", args=[block.code])


@page(READ)
def block(request: HttpRequest, code: str) -> HttpResponse:
    """One block: its face, and what was put on it."""
    user = person(request)
    found = selectors.get_block_for(user, code)
    if found.code != code:
        return redirect("block", found.code)
    applications = applications_on(user, found)
    context = {
        "found": found,
        "uses": uses_of(found),
        **_shown(found),
        "applications": applications[:50],
        "went_into": [*selectors.rigs_with(found), *applications[:20]],
        "entries": readable(history_of("block", found.code)[:50], user),
    }
    return render(request, "rigs/block.html", context)


def _shown(found: Any) -> dict[str, str]:
    return {f"{name}_shown": shown(getattr(found, name), unit=unit, of=of) for name, (unit, of) in BLOCK_UNITS.items()}


def _says(found: Any) -> Says:
    return Says(found.name, (f"{found.get_role_display()}, {found.metal}, {found.finish}",))


urlpatterns = [
    path("blocks/", blocks, name="blocks"),
    path("blocks/new/", block_new, name="block-new"),
    *label_paths("block", "blocks", get=selectors.get_block_for, says=_says),
    path("blocks/<str:code>/", block, name="block"),
]
