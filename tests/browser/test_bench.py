"""At the bench in a real browser: scan, check, put on; and the record pages of samples, rigs, methods, applications."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from lims.accounts.roles import Role
from lims.core.codes import printed
from lims.rigs import services as rigs
from lims.runs.models import Application
from tests.browser.steps import serious_faults, sign_in
from tests.factories import (
    faces_of,
    make_application,
    make_method_version,
    make_rig,
    make_sample,
    person,
    somebody,
)

pytestmark = pytest.mark.django_db(transaction=True)
SMALLEST_TARGET = 48  # pixels, for gloves (requirements UIX-02)


def test_an_operator_puts_a_sample_on_by_keyboard_alone(open_page: Any, complaints: list[str]) -> None:
    sample, rig = make_sample(), make_rig()
    make_method_version()
    faces = faces_of(rig)
    assert faces.hot
    assert faces.cold
    person(Role.OPERATOR, username="otto")
    page: Page = open_page("/sign-in/?next=/applications/new/", width=820, height=1180)
    sign_in(page, "otto")
    for code in (printed(sample.code), rig.code):  # a keyboard-wedge scanner types a code and sends Enter or Tab
        page.keyboard.type(code)
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_text(f"{sample.code} {sample.name} is ready")).to_be_visible()
    assert page.locator(".button-main").bounding_box()["height"] >= SMALLEST_TARGET  # type: ignore[index]
    page.get_by_label("Heater block").fill(printed(faces.hot.code))
    page.get_by_label("Cooled block").fill(faces.cold.code)
    page.get_by_label("Cleaning").fill("isopropanol")
    page.get_by_label("Amount").fill("0.5")
    page.get_by_label("Pattern").fill("one dot")
    assert page.get_by_label("Force", exact=True).input_value() == "250"
    page.get_by_label("Pattern").press("Enter")
    expect(page.get_by_text("area assumed full")).to_be_visible()
    assert Application.objects.get().state == "applied"
    assert not complaints


def test_the_record_pages_break_no_rule_on_desk_and_tablet(open_page: Any, complaints: list[str]) -> None:
    application = make_application()
    keeper = somebody(Role.RIG_KEEPER)
    rigs.note_rig(application.rig, actor=keeper, kind="maintenance", text="new hoses")
    out = rigs.take_rig_out(make_rig("bench-9", blocks=None), actor=keeper, reason="sensor loose")
    sensor = application.rig.sensors.first()
    addresses = (
        f"/samples/{application.sample.code}/",
        f"/samples/{application.sample.code}/label/",
        f"/rigs/{application.rig.code}/",
        f"/rigs/{application.rig.code}/configure/",
        f"/rigs/{application.rig.code}/sensors/{sensor.serial}/",
        f"/rigs/{out.code}/",
        f"/blocks/{application.hot_block.code}/",
        f"/methods/{application.method_version.code}/",
        f"/methods/{application.method_version.method.code}/next/",
        f"/applications/{application.code}/",
        f"/applications/new/?sample={application.sample.code}&rig={application.rig.code}",
        f"/applications/new/?sample={application.sample.code}&rig={out.code}",
    )
    person(Role.CHEMIST, username="ida")
    user = somebody(Role.CHEMIST)
    for role in (Role.RIG_KEEPER, Role.QUALITY):
        user.grants.create(user=user, role=role, reason="test")
    page: Page = open_page("/sign-in/?next=/rigs/", color_scheme="dark")
    sign_in(page, "ida")
    faults = {address: found for address in addresses if (found := _faults(page, address))}
    assert faults == {}
    assert not complaints


def _faults(page: Page, address: str) -> list[str]:
    answer = page.goto(address)
    faults = [] if answer and answer.ok else [f"status {answer and answer.status}"]
    for scheme, width in (("dark", 1280), ("light", 820)):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        page.set_viewport_size({"width": width, "height": 1100})
        faults += [f"{scheme}: {fault}" for fault in serious_faults(page)]
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        faults += [f"{scheme}: {wide} px too wide"] if wide > 0 else []
    return faults
