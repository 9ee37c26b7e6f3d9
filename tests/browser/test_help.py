"""Help where it is needed: a figure explains itself to keyboard and pointer; keys lead on and rest while typing."""

from __future__ import annotations

import io
from typing import Any

import pytest
from playwright.sync_api import expect

from lims.accounts.roles import Role
from lims.runs.models import Run
from lims.runs.services.runs import upload_run
from tests.browser.steps import serious_faults, sign_in
from tests.factories import make_application, somebody
from tests.runs.recordings import make_files
from tests.runs.test_perform_reduction import reduce_all

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("file_store")]


def reduced_run() -> Run:
    """A run whose figures are on its page."""
    application, files, operator = make_application(), make_files(), somebody(Role.OPERATOR)
    run = upload_run(actor=operator, content=io.BytesIO(files.run), name="run.csv", application=application)
    reduce_all()
    return Run.objects.get(pk=run.pk)


def test_a_figure_explains_itself_and_keys_lead_on(open_page: Any, complaints: list[str]) -> None:
    run = reduced_run()
    page = open_page(f"/sign-in/?next=/runs/{run.code}/")
    sign_in(page, run.uploaded_by.username)
    mark = page.get_by_role("button", name="What temperature rise means").first
    box = page.locator(".explain-box")
    mark.focus()
    expect(box).to_contain_text("How much hotter the hot face is")
    expect(mark).to_have_attribute("aria-expanded", "true")
    assert serious_faults(page) == []
    page.keyboard.press("Escape")
    expect(box).to_have_count(0)
    page.locator("h1").click()
    mark.hover()
    box.hover()  # the words stay while the pointer is on them
    expect(box).to_contain_text("What to do")
    page.keyboard.press("Escape")
    page.keyboard.press("/")
    search = page.get_by_role("searchbox")
    expect(search).to_be_focused()
    page.keyboard.type("gl?")
    expect(search).to_have_value("gl?")
    page.locator("h1").click()
    page.keyboard.press("g")
    page.keyboard.press("l")
    page.wait_for_url("**/lots/")
    page.keyboard.press("?")
    page.wait_for_url("**/help/keys/")
    assert complaints == []
