"""Runs and comparisons in a real browser: drop files, watch the figures come, read the curves, compare."""

from __future__ import annotations

import os
import threading
from typing import Any

import pytest
from django.db import connections
from playwright.sync_api import expect

from lims.accounts.roles import Role
from lims.cases.services import place_hold
from lims.comparisons.services import pose_comparison
from lims.runs.models import Run
from tests.browser.steps import serious_faults, sign_in
from tests.comparisons.results import measure, put_on
from tests.factories import make_application, make_method_version, make_rig, somebody
from tests.runs.recordings import make_files
from tests.runs.test_perform_reduction import reduce_all, sent_with_zero

SHOTS = os.environ.get("LIMS_SHOTS")  # a folder to keep pictures of the pages in
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("file_store")]


@pytest.fixture(autouse=True)
def _nobody_complains(complaints: list[str]):
    yield
    # a refused file is an answer like any other; the browser notes it all the same
    assert [words for words in complaints if "422" not in words] == []


def work() -> None:
    """The worker's part, in a thread: the browser's own loop runs in this one."""

    def reduce() -> None:
        reduce_all()
        connections.close_all()

    thread = threading.Thread(target=reduce)
    thread.start()
    thread.join()


def signed_in(open_page: Any, path: str, role: Role = Role.OPERATOR, **options: Any) -> Any:
    page = open_page(f"/sign-in/?next={path}", **options)
    sign_in(page, somebody(role).username)
    return page


def test_dropped_files_show_their_figures_without_a_reload(open_page) -> None:
    application, files = make_application(), make_files()
    rig = application.rig.name.encode()
    somebody(Role.OPERATOR)
    page = signed_in(open_page, "/runs/upload/")
    zero = b"# kind: zero\n# rig: " + rig + b"\n" + files.zero
    run = b"# application: " + application.code.encode() + b"\n" + files.run
    page.locator("input[type=file]").set_input_files(
        [
            {"name": "zero.csv", "mimeType": "text/csv", "buffer": zero},
            {"name": "night.csv", "mimeType": "text/csv", "buffer": run},
            {"name": "notes.exe", "mimeType": "text/csv", "buffer": b"MZ" + bytes(40)},
        ]
    )
    rows = page.locator(".drop-row")
    expect(rows).to_have_count(3)
    expect(rows.filter(has_text="notes.exe")).to_contain_text("is a Windows program")
    expect(rows.filter(has_text="night.csv")).to_contain_text("waiting for a worker")
    work()
    expect(rows.filter(has_text="night.csv")).to_contain_text("temperature rise", timeout=10_000)
    assert Run.objects.count() == 2


def test_a_page_that_is_open_gets_its_figures_and_its_curves(open_page) -> None:
    run, _ = sent_with_zero()
    page = signed_in(open_page, f"/runs/{run.code}/")
    expect(page.locator(".plot .main-svg").first).to_be_visible(timeout=20_000)
    page.locator("summary", has_text="Reduce again").click()
    page.locator("textarea[name=reason]").first.fill("once more")
    page.get_by_role("button", name="Reduce again").click()
    expect(page.get_by_text("Waiting for a worker")).to_be_visible()
    work()
    expect(page.get_by_text("Waiting for a worker")).to_have_count(0, timeout=10_000)
    expect(page.locator('[data-figure="temperature_rise"]')).to_contain_text("±")


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 820])
def test_the_pages_stand_the_rules_of_accessibility(open_page, theme: str, width: int) -> None:
    run, _ = sent_with_zero()
    rig, version = run.rig, run.application.method_version
    a = put_on([9.0, 9.1, 8.9], name="thin paste", rig=rig, version=version)
    b = put_on([12.0, 12.1, 11.9], name="thick paste", rig=rig, version=version)
    c = put_on([12.3, 12.0, 11.8], name="thick paste, second batch", rig=rig, version=version)
    measure(make_application(sample=b, rig=rig, version=version), 7.0, pressure=300e3)
    place_hold(c, actor=somebody(Role.QUALITY), reason="label in doubt")
    comparison = pose_comparison(
        actor=somebody(Role.CHEMIST), title="which paste", method_version=version, samples=[a, b, c], reference=a
    )
    page = signed_in(open_page, f"/runs/{run.code}/", width=width, color_scheme=theme)
    for path in (
        f"/runs/{run.code}/",
        "/runs/",
        "/runs/upload/",
        f"/comparisons/{comparison.code}/",
        f"/comparisons/new/?method={version.code}",
        "/map/",
    ):
        page.goto(path)
        if page.locator("[data-plot]").count():
            expect(page.locator(".plot .main-svg").first).to_be_visible(timeout=20_000)
        assert serious_faults(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), f"{path} is too wide"
        if SHOTS:
            name = path.strip("/").replace("/", "-").replace("?", "-")
            page.screenshot(path=f"{SHOTS}/{name}-{width}-{theme}.png", full_page=True)


def test_a_comparison_is_posed_by_choosing_a_method_and_samples(open_page) -> None:
    rig, version = make_rig(), make_method_version()
    thin = put_on([9.0, 9.1, 8.9], name="thin paste", rig=rig, version=version)
    thick = put_on([12.0, 12.1, 11.9], name="thick paste", rig=rig, version=version)
    page = signed_in(open_page, "/comparisons/new/", Role.CHEMIST)
    page.locator("select[name=method]").select_option(version.code)
    page.get_by_role("button", name="Go on to the samples").click()
    page.locator("input[name=title]").fill("which paste")
    page.get_by_label(f"{thin.code} thin paste").check()
    page.get_by_label(f"{thick.code} thick paste").check()
    page.get_by_role("button", name="Compare").click()
    rows = page.locator("table[data-ranking] tr[data-rank]")
    expect(rows).to_have_count(2)
    assert rows.first.get_attribute("data-sample") == thin.code
    expect(page.locator(".plot .main-svg").first).to_be_visible(timeout=20_000)
