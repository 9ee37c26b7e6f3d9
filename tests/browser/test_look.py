"""The look in a real browser: accessibility rules, sizes, keyboard, numbers, what is kept and what is sent once.

Accessibility rules: axe-core, an independent implementation of WCAG 2.2 checks. Sizes: WCAG 2.2, 2.5.8 (24 px) and the
48 px that gloves need (common practice, no source).
"""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import parse_qs

import pytest
from playwright.sync_api import Page, Route, expect

from lims.accounts.roles import Role
from lims.local.processes import wait_until
from lims.web.forms.fields import meanings
from tests.browser.steps import serious_faults, sign_in
from tests.factories import person

pytestmark = pytest.mark.django_db(transaction=True)
THEMES = ["light", "dark"]


@pytest.fixture(autouse=True)
def _nobody_complains(complaints: list[str]):
    yield
    assert complaints == []


def look(open_page: Any, path: str = "/look/", **options: Any) -> Page:
    """The page that shows every part, as a chemist."""
    person(Role.CHEMIST, username="ida")
    page = open_page(f"/sign-in/?next={path}", **options)
    sign_in(page, "ida")
    return page


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("width", [1280, 390])
def test_no_part_has_a_serious_fault(open_page, theme: str, width: int) -> None:
    page = look(open_page, color_scheme=theme, width=width)
    page.wait_for_selector(".js-plotly-plot .main-svg")
    assert serious_faults(page) == []


def test_the_rules_see_a_fault_that_is_there(open_page) -> None:
    page = look(open_page, "/look/bench/")
    page.evaluate("document.querySelector('.step-of').style.color = '#c9c5bb'")
    assert "color-contrast" in " ".join(serious_faults(page))


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("path", ["/sign-in/", "/no-such-page/"])
def test_pages_before_and_beside_the_work_have_no_serious_fault(
    open_page, complaints: list[str], theme: str, path: str
) -> None:
    page = open_page(path, color_scheme=theme)
    assert serious_faults(page) == []
    complaints.clear()  # the browser itself complains about the status of a page that is not there


def test_a_page_fits_a_phone_and_200_percent_zoom(open_page) -> None:
    page = look(open_page, width=390)
    page.wait_for_selector(".js-plotly-plot .main-svg")
    for width in (390, 640, 820, 1280):  # 640: a screen of 1280 at 200 %
        page.set_viewport_size({"width": width, "height": 900})
        too_wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert too_wide <= 0, f"{width} px: {too_wide} px too wide"


def test_bench_targets_are_48_px_and_stand_in_one_column(open_page) -> None:
    page = look(open_page, "/look/bench/", width=820, height=1100)
    sizes = page.evaluate(
        "[...document.querySelectorAll('main button, main a, main input:not([type=hidden])')]"
        ".map(e => [e.textContent || e.name, Math.round(e.getBoundingClientRect().height)])"
    )
    assert sizes
    assert [size for size in sizes if size[1] < 48] == []


def test_every_target_of_every_part_is_at_least_24_px(open_page) -> None:
    page = look(open_page)
    page.wait_for_selector(".js-plotly-plot .main-svg")
    small = page.evaluate(
        "[...document.querySelectorAll('button:not(.modebar-btn), a.button, summary, input, select, .rail a')]"
        ".filter(e => e.checkVisibility() && e.type !== 'hidden')"
        ".filter(e => !(e.matches('[type=checkbox],[type=radio]') && e.labels.length))"
        ".map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect().height]).filter(x => x[1] < 24)"
    )
    assert small == []


def test_the_keyboard_reaches_the_content_first_and_the_focus_shows(open_page) -> None:
    page = look(open_page, "/look/bench/")
    page.keyboard.press("Tab")
    skip = page.locator(":focus")
    expect(skip).to_have_text("Skip to the content")
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    outline = page.evaluate(
        "getComputedStyle(document.activeElement).outlineStyle + document.activeElement.closest('main')?.id"
    )
    assert outline == "solidmain"


def test_the_menu_opens_on_a_tablet_without_script(open_page) -> None:
    person(Role.CHEMIST, username="ida")
    page = open_page("/sign-in/?next=/look/", width=820, java_script_enabled=False)
    sign_in(page, "ida")
    menu = page.get_by_role("navigation", name="Main")
    expect(menu).to_be_hidden()
    page.get_by_role("link", name="Menu", exact=True).click()
    expect(menu).to_be_visible()
    page.get_by_role("link", name="Close the menu").click()
    expect(menu).to_be_hidden()


def test_states_differ_by_shape_and_not_by_colour_alone(open_page) -> None:
    page = look(open_page)
    shapes = page.evaluate(
        "Object.fromEntries([...document.querySelectorAll('.state')].map(e => "
        "[e.className, e.querySelector('svg').innerHTML.replace(/\\s+/g, ' ')]))"
    )
    assert len(shapes) >= 8
    assert len(set(shapes.values())) == len(shapes)


@pytest.mark.parametrize(
    ("typed", "becomes"),
    [
        ("25,3", "25.3"),
        ("1 234,5", "1234.5"),
        ("1.234,5", "1234.5"),
        ("0,125", "0.125"),
        ("250 g", "250"),
        ("abc", "abc"),
    ],
)
def test_a_number_is_read_with_comma_or_point(open_page, typed: str, becomes: str) -> None:
    page = look(open_page)
    amount = page.get_by_label("Amount").first
    amount.fill(typed)
    amount.blur()
    expect(amount).to_have_value(becomes)


TEXTS = [
    "1",
    "1.5",
    "1,5",
    "1,234",
    "1.234",
    "0,125",
    "12,345",
    "1234,567",
    "1,234,567",
    "1.234.567",
    "1.234,5",
    "1,234.5",
]
TEXTS += [
    "1 234,5",
    "1\u202f234.5",
    "1'234.5",
    "-2,5",
    "\u22122.5",
    "+3",
    "1e-3",
    "1,5e3",
    ".5",
    ",5",
    "5.",
    "1,2,3",
    "12.34.567",
]
TEXTS += ["", "abc", "1.2.3,4", "1,234,5", "--1", "1 2 a"]


def test_page_and_server_read_numbers_alike(open_page) -> None:
    page = open_page("/sign-in/")
    read = page.evaluate(
        "async texts => { const { meanings } = await import('/static/js/number.js'); return texts.map(meanings) }",
        TEXTS,
    )
    assert [[float(one) for one in found] for found in read] == [[float(o) for o in meanings(text)] for text in TEXTS]


def test_a_number_with_two_meanings_is_asked_about(open_page) -> None:
    page = look(open_page)
    amount = page.get_by_label("Amount").first
    amount.fill("1,234")
    amount.blur()
    question = page.locator(".ask")
    expect(question).to_contain_text("can mean two things")
    question.get_by_role("button", name="1234 g").click()
    expect(amount).to_have_value("1234")
    expect(question).to_have_count(0)


def test_a_number_ten_times_off_is_asked_about_and_kept_when_meant(open_page) -> None:
    page = look(open_page, "/look/bench/")
    amount = page.get_by_label("Amount")
    amount.fill("25.00")
    amount.blur()
    expect(page.locator(".ask")).to_contain_text("1/10 of what is expected here (250 g)")
    page.locator(".ask").get_by_role("button").click()
    expect(amount).to_have_value("25.00")
    assert page.locator("input[name=mass_meant]").get_attribute("value") == "25.00"


def test_what_was_typed_comes_back_after_a_reload_and_goes_when_started_afresh(open_page) -> None:
    page = look(open_page)
    remarks = page.get_by_label("Remarks").first
    remarks.fill("container dented")
    page.reload()
    expect(remarks).to_have_value("container dented")
    page.get_by_role("button", name="Start afresh").click()
    expect(remarks).to_have_value("")
    page.reload()
    expect(remarks).to_have_value("")


def test_what_was_typed_survives_a_lost_connection(open_page, complaints: list[str]) -> None:
    page = look(open_page, "/look/bench/")
    amount = page.get_by_label("Amount")
    amount.fill("250.1")
    page.context.set_offline(True)
    page.get_by_role("button", name="Take").click()
    page.wait_for_timeout(300)
    page.context.set_offline(False)
    page.goto("/look/bench/")
    expect(page.get_by_label("Amount")).to_have_value("250.1")
    complaints.clear()  # the browser itself complains about the lost connection


@pytest.mark.parametrize("again", ["250.1", "250.2"])
def test_sending_again_after_a_lost_answer_carries_the_same_key_only_for_the_same_values(
    open_page, complaints: list[str], again: str
) -> None:
    page = look(open_page, "/look/bench/")
    keys: list[str] = []

    def answer(route: Route) -> None:
        if route.request.method != "POST":
            return route.continue_()
        keys.append(parse_qs(route.request.post_data)["idempotency_key"][0])
        return route.abort()

    page.route("**/look/bench/", answer)
    for value in ("250.1", again):
        amount = page.get_by_label("Amount")
        if amount.input_value() != value:
            amount.fill(value)
        page.get_by_role("button", name="Take").click()
        page.wait_for_timeout(300)
        page.goto("/look/bench/")
        expect(page.get_by_label("Amount")).to_have_value(value)
    assert len(keys) == 2
    assert (keys[0] == keys[1]) == (again == "250.1")
    complaints.clear()  # the browser itself complains about the lost connection


def test_another_person_at_the_same_device_sees_nothing_of_it(open_page) -> None:
    page = look(open_page)
    person(Role.CHEMIST, username="noor")
    page.get_by_label("Remarks").first.fill("mine")
    page.get_by_role("button", name="Sign out").click()
    page.goto("/sign-in/?next=/look/")
    sign_in(page, "noor")
    expect(page.get_by_label("Remarks").first).to_have_value("")
    assert page.evaluate("Object.keys(sessionStorage).filter(name => name.startsWith('keep:'))") == []


def test_a_double_press_sends_once_and_with_a_key(open_page) -> None:
    page = look(open_page, "/look/bench/")
    sent: list[str] = []

    def answer(route: Route) -> None:
        sent.append(route.request.post_data or "")
        page.wait_for_timeout(50)
        route.fulfill(status=204)

    page.route("**/look/bench/", lambda route: answer(route) if route.request.method == "POST" else route.continue_())
    page.get_by_label("Amount").fill("250.0")
    page.get_by_role("button", name="Take").dblclick()
    page.wait_for_timeout(500)
    assert len(sent) == 1
    assert "idempotency_key=" in sent[0]


def test_files_are_sent_each_with_its_own_row_and_key(open_page, tmp_path, complaints: list[str]) -> None:
    page = look(open_page)
    keys: dict[str, set[str]] = {}
    tries: list[str] = []

    def answer(route: Route) -> None:
        body = route.request.post_data_buffer or b""
        name = next(n for n in ("good.csv", "bad.csv", "late.csv") if n.encode() in body)
        keys.setdefault(name, set()).add(route.request.headers["idempotency-key"])
        tries.append(name)
        if name == "good.csv":
            route.fulfill(status=201, json={"code": "R-0525", "url": "/runs/R-0525/", "message": "received"})
        elif name == "bad.csv":
            problem = {
                "title": "Not readable",
                "detail": "bad.csv, line 3, column 'hot': a number is expected.",
                "next_step": "Mend the file.",
            }
            route.fulfill(status=422, body=json.dumps(problem), content_type="application/problem+json")
        elif tries.count("late.csv") == 1:
            route.abort()
        else:
            route.fulfill(status=201, json={"code": "R-0526", "url": "/runs/R-0526/"})

    page.route("**/look/files", answer)
    files = [tmp_path / name for name in ("good.csv", "bad.csv", "late.csv")]
    for file in files:
        file.write_text("t [s],hot [degC]\n0,1\n")
    page.locator("input[type=file]").set_input_files(files)
    rows = page.locator(".drop-row")
    expect(rows.filter(has_text="good.csv")).to_contain_text("received R-0525")
    expect(rows.filter(has_text="bad.csv")).to_contain_text("line 3, column 'hot'")
    expect(rows.filter(has_text="late.csv")).to_contain_text("R-0526")
    assert tries.count("late.csv") == 2
    assert len(keys["late.csv"]) == 1
    assert len(set.union(*keys.values())) == 3
    complaints.clear()  # the browser itself complains about the refused and the lost request


def test_a_plot_asks_for_detail_where_it_is_zoomed_and_shows_its_numbers_as_a_table(open_page) -> None:
    page = look(open_page)
    page.wait_for_selector(".js-plotly-plot .main-svg")
    with page.expect_request(lambda request: "from=100" in request.url) as asked:
        page.evaluate("Plotly.relayout(document.querySelector('.plot-area'), {'xaxis.range': [100, 200]})")
    assert "to=200" in asked.value.url
    assert "px=" in asked.value.url
    assert wait_until(lambda: page.evaluate("document.querySelector('.plot-area').data[0].x[0]") == 100, seconds=5)
    page.get_by_role("button", name="Show as a table").click()
    expect(page.locator(".plot-table td").first).to_have_text("100")
