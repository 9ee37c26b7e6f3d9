"""Formulations by page: written on one page, refused with what is missing, approved by another person."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from lims.formulations.models import Formulation, FormulationVersion
from tests.factories import PASSWORD, make_material, make_version, person, somebody

pytestmark = pytest.mark.django_db


def sheet(*shares: str, **changes):
    content = {"name": "paste A", "purpose": "trams", "lines-INITIAL_FORMS": "0", "steps-INITIAL_FORMS": "0"}
    content |= {"lines-TOTAL_FORMS": str(len(shares) + 1), "steps-TOTAL_FORMS": "1"}
    for i, share in enumerate(shares):
        code = make_material(f"material {i} {share}").code
        content |= {f"lines-{i}-material": code, f"lines-{i}-percent": share}
        content |= {f"lines-{i}-tolerance": "0.5", f"lines-{i}-outer": "2"}
    content |= {f"lines-{len(shares)}-tolerance": "0.5", f"lines-{len(shares)}-outer": "2"}
    content |= {"steps-0-instruction": "mix", "steps-0-speed": "1200", "steps-0-tolerance": "10"}
    return content | changes


def test_a_formulation_is_written_submitted_and_approved(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    response = client.post("/formulations/new/", sheet("90", "10"))
    version = FormulationVersion.objects.get()
    assert response.status_code == 302
    assert version.steps.get().speed == pytest.approx(20.0)
    assert client.post(f"/formulations/{version.code}/submit/").status_code == 302
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/formulations/{version.code}/approve/", {"password": PASSWORD}).status_code == 302
    page = client.get(f"/formulations/{version.code}/").content.decode()
    assert "approved" in page
    assert client.get(f"/formulations/{version.formulation.code}/").status_code == 200


def test_what_is_missing_to_a_hundred_is_shown(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    client.post("/formulations/new/", sheet("89.4", "10"))
    version = FormulationVersion.objects.get()
    assert "0.6 % missing" in client.get(f"/formulations/{version.code}/").content.decode()
    response = client.post(f"/formulations/{version.code}/submit/")
    assert response.status_code == 422
    assert "0.6 % missing" in response.content.decode()


def test_a_row_that_is_not_right_comes_back_with_everything_typed(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    response = client.post("/formulations/new/", sheet("90", "ten"))
    assert response.status_code == 422
    page = response.content.decode()
    assert "is not a number" in page
    assert 'value="ten"' in page
    assert "trams" in page
    assert not Formulation.objects.exists()


def test_a_draft_is_edited_and_shows_its_difference(client) -> None:
    first = make_version()
    client.force_login(somebody(Role.CHEMIST))
    assert client.post(f"/formulations/{first.code}/new-version/", {"reason": "less bleed"}).status_code == 302
    second = FormulationVersion.objects.get(number=2)
    page = client.get(f"/formulations/{second.code}/edit/")
    assert page.status_code == 200
    content = sheet("95", "5", read=second.version)
    assert client.post(f"/formulations/{second.code}/edit/", content).status_code == 302
    stale = client.post(f"/formulations/{second.code}/edit/", content)
    assert stale.status_code == 412
    difference = client.get(f"/formulations/{second.code}/difference/").content.decode()
    assert "removed" in difference
    assert "added" in difference


def test_the_author_sees_why_not_to_approve(client) -> None:
    version = make_version()
    FormulationVersion.objects.filter(pk=version.pk).update(state="in_review")
    author = version.author
    author.grants.create(role=Role.QUALITY, reason="test")
    client.force_login(author)
    assert "somebody else judges it" in client.get(f"/formulations/{version.code}/").content.decode()
    response = client.post(f"/formulations/{version.code}/approve/", {"password": PASSWORD})
    assert response.status_code == 403


@pytest.mark.parametrize("role", [Role.OPERATOR, Role.RIG_KEEPER, Role.MANAGER, Role.ADMINISTRATOR, None])
def test_recipes_are_not_shown_without_the_right(client, role) -> None:
    version = make_version()
    client.force_login(person(role, username="reader"))
    for address in ("/formulations/", f"/formulations/{version.code}/", f"/formulations/{version.code}/difference/"):
        assert client.get(address).status_code == 403


def test_lines_typed_on_several_bases_are_computed_as_one_types_and_stored_as_mass_fractions(client) -> None:
    # by hand: 900 parts on 100 of fluid make 90 %; 0.9/3950 and 0.1/970 m3/kg give 68.85 % by volume, 3022 kg/m3
    client.force_login(somebody(Role.CHEMIST))
    filler = make_material("alumina", density=3950.0, conductivity=30.0)
    fluid = make_material("fluid", kind="carrier", density=970.0, conductivity=0.16)
    typed = sheet("900", "0")
    typed |= {"lines-0-material": filler.code, "lines-0-basis": "parts"}
    typed |= {"lines-1-material": fluid.code, "lines-1-basis": "rest", "lines-1-percent": ""}
    page = client.post("/formulations/sheet/", typed).content.decode()
    for words in ("68.85", "3022", "Hashin and Shtrikman", "good to a fraction of 0.25"):
        assert words in page
    assert not Formulation.objects.exists()
    assert client.post("/formulations/new/", typed).status_code == 302
    found = [str(line.fraction.normalize()) for line in FormulationVersion.objects.get().lines.order_by("position")]
    assert found == ["0.9", "0.1"]


def test_a_missing_density_is_named_and_no_part_of_the_lines_is_computed(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    typed = sheet("90", "10")
    typed["lines-0-material"] = make_material("dust", density=None).code
    assert "not computed: density of dust missing" in client.post("/formulations/sheet/", typed).content.decode()
    assert "not complete yet" in client.post("/formulations/sheet/", typed | {"lines-1-percent": "x"}).content.decode()


def test_a_sheet_is_only_for_those_who_may_read_recipes(client) -> None:
    client.force_login(person(Role.ADMINISTRATOR))
    assert client.post("/formulations/sheet/", {}).status_code == 403
