"""The formulation editor: shares follow as one types, a reload loses nothing, what is saved is what was shown."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from lims.accounts.roles import Role
from lims.formulations.models import FormulationLine
from tests.browser.steps import sign_in
from tests.factories import make_material, somebody

pytestmark = pytest.mark.django_db(transaction=True)


def test_parts_typed_give_masses_survive_a_reload_and_are_saved(open_page, complaints: list[str]) -> None:
    # by hand: 900 parts on 100 of fluid are 90 % by mass
    filler = make_material("alumina", density=3950.0, conductivity=30.0).code
    fluid = make_material("fluid", kind="carrier", density=970.0, conductivity=0.16).code
    page: Page = open_page("/sign-in/?next=/formulations/new/")
    sign_in(page, somebody(Role.CHEMIST).username)
    page.locator("[name=name]").fill("paste A")
    page.locator("[name=lines-0-material]").select_option(filler)
    page.locator("[name=lines-0-basis]").select_option("parts")
    page.locator("[name=lines-0-percent]").fill("900")
    page.locator("[name=lines-1-material]").select_option(fluid)
    page.locator("[name=lines-1-basis]").select_option("rest")
    row = page.locator("#sheet tbody tr").filter(has_text="alumina")
    expect(row).to_contain_text("90")
    expect(row).to_contain_text("68.85")
    page.reload()
    expect(page.locator("[name=lines-0-percent]")).to_have_value("900")
    expect(row).to_contain_text("68.85")
    page.get_by_role("button", name="Save the draft").click()
    page.wait_for_url(lambda address: "/new/" not in address)
    shares = FormulationLine.objects.order_by("position").values_list("fraction", flat=True)
    assert [f"{share.normalize()}" for share in shares] == ["0.9", "0.1"]
    assert not complaints
