"""Two chemists on one batch, and the network cut and back: nothing lost, nothing twice."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from lims.accounts.roles import Role
from lims.formulations.models import Weighing
from tests.browser.steps import sign_in
from tests.factories import make_batch, make_released_lot, person

pytestmark = pytest.mark.django_db(transaction=True)
SMALLEST_TARGET = 48  # pixels, for gloves (requirements UIX-02)


def test_an_entry_waits_for_the_network_and_two_chemists_see_each_other(open_page: Any) -> None:
    batch = make_batch()
    lots = {line.position: make_released_lot(line.material) for line in batch.lines.all()}
    address = f"/batches/{batch.code}/bench/"
    for name in ("ada", "ben"):
        person(Role.CHEMIST, username=name)
    ada: Page = open_page(f"/sign-in/?next={address}", width=820, height=1180)
    sign_in(ada, "ada")
    ben: Page = open_page(f"/sign-in/?next={address}", width=820, height=1180)
    sign_in(ben, "ben")
    expect(ada.get_by_role("link", name="Line 2")).to_be_visible()
    ada.wait_for_load_state("networkidle")
    ada.context.set_offline(True)
    _enter(ada, lots[1].code, "225.0")
    assert ada.locator(".button-main").bounding_box()["height"] >= SMALLEST_TARGET  # type: ignore[index]
    ada.locator(".button-main").dblclick()
    expect(ada.locator("[data-waiting]")).to_contain_text("Waiting to be sent: 1")
    expect(ada.get_by_text("Line 2 of 2")).to_be_visible()
    _enter(ada, lots[2].code, "25.0")
    ada.locator(".button-main").click()
    expect(ada.locator("[data-waiting]")).to_contain_text("Waiting to be sent: 2")
    assert not Weighing.objects.exists()
    ada.context.set_offline(False)
    expect(ada.get_by_text("Every line is weighed")).to_be_visible()
    nets = Weighing.objects.order_by("line__position").values_list("net", "by__username")
    assert [(str(net), by) for net, by in nets] == [("0.225000000", "ada"), ("0.025000000", "ada")]
    expect(ben.get_by_text("into this line meanwhile")).to_be_visible()


def _enter(page: Page, lot: str, net: str) -> None:
    form = page.locator("form[data-queue]")
    form.locator("[name=lot]").fill(lot)
    form.locator("[name=balance]").fill("BAL-01")
    form.locator("[name=net]").fill(net)
