"""Formulations by page: written on one page, refused with what is missing, approved by another person."""

from __future__ import annotations

import io
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from lims.accounts.roles import Role
from lims.core.errors import Invalid
from lims.formulations.models import Formulation, FormulationVersion
from lims.materials.services import add_lot_property, change_material
from tests.factories import (
    PASSWORD,
    make_made_batch,
    make_material,
    make_released_lot,
    make_sample,
    make_version,
    person,
    somebody,
)

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


def test_lines_pasted_and_uploaded_join_those_typed_and_bad_rows_come_back_named(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    filler, fluid = make_material("alumina"), make_material("fluid, thin", kind="carrier")
    typed = sheet("5") | {"add": "table"}
    bad = client.post("/formulations/new/", typed | {"table": "alumnia\tten\nalumnia\t90"})
    page = bad.content.decode()
    assert bad.status_code == 422
    assert "Row 1: amount &#x27;ten&#x27; found, expected a number" in page
    assert "Row 2: material &#x27;alumnia&#x27; found, expected the code or name" in page
    assert "alumnia\tten" in page
    good = client.post("/formulations/new/", typed | {"table": f"{filler.code}\t90\nFluid, thin\trest\n"})
    rows = good.context["lines"]
    assert [row.initial.get("percent") for row in rows] == ["5", "90", ""]
    assert [row.initial.get("basis") for row in rows] == ["", "", "rest"]
    assert rows[2].initial["material"] == fluid.code
    file = SimpleUploadedFile("lines.csv", f"{filler.code};90\nnobody;10\n".encode())
    assert "nobody;10" in client.post("/formulations/new/", typed | {"file": file}).content.decode()
    forgotten = client.post("/formulations/new/", sheet("100") | {"table": "alumina\t90"})
    assert "A table stands beside the lines" in forgotten.content.decode()


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_lines_taken_away_as_a_table_can_be_brought_back(client, form) -> None:
    version = make_version()
    client.force_login(somebody(Role.CHEMIST))
    answer = client.get(f"/formulations/{version.code}/lines.{form}")
    assert f"-lines.{form}" in answer["Content-Disposition"]
    file = io.BytesIO(answer.content)
    file.name = f"lines.{form}"
    back = client.post("/formulations/new/", {"add": "table", "file": file, "lines-TOTAL_FORMS": "0"})
    found = [(row.initial["material"], row.initial["percent"]) for row in back.context["lines"]]
    assert found == [(line.material.code, f"{(line.fraction * 100).normalize():f}") for line in version.lines.all()]
    client.force_login(person(Role.OPERATOR, username="reader"))
    assert client.get(f"/formulations/{version.code}/lines.{form}").status_code == 403


def test_a_row_moves_without_javascript_and_the_order_outlasts_a_refusal(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    typed = sheet("90", "ten")
    moved = client.post("/formulations/new/", typed | {"add": "lines:up:1"})
    assert [row.initial["percent"] for row in moved.context["lines"]][:2] == ["ten", "90"]
    assert "data-bound" in moved.content.decode()
    assert moved.content.decode().count('aria-label="Move row 2 up"') == 1


def test_a_stale_draft_shows_what_is_stored_beside_what_was_typed_and_can_then_be_saved(client) -> None:
    version = make_version()
    client.force_login(somebody(Role.CHEMIST))
    client.post(f"/formulations/{version.code}/new-version/", {"reason": "less bleed"})
    draft = FormulationVersion.objects.get(number=2)
    stale = sheet("95", "5", read=draft.version)
    client.post(f"/formulations/{draft.code}/edit/", sheet("80", "20", read=draft.version))
    answer = client.post(f"/formulations/{draft.code}/edit/", stale)
    assert answer.status_code == 412
    stored = {what: (was, now) for what, was, now in answer.context["stored"]}
    assert stored["material 0 80"] == ("80 %", "")
    assert stored["material 0 95"] == ("", "95 %")
    again = stale | {"read": answer.context["form"]["read"].value()}
    assert client.post(f"/formulations/{draft.code}/edit/", again).status_code == 302


def test_a_cost_is_computed_of_all_prices_or_not_at_all(client) -> None:
    # by hand: 0.9 kg at 10 EUR and 0.1 kg at 25 EUR are 11.50 EUR
    client.force_login(somebody(Role.CHEMIST))
    filler, fluid = make_material("alumina", price=Decimal(10), currency="eur"), make_material("oil", kind="carrier")
    typed = sheet("90", "10") | {"lines-0-material": filler.code, "lines-1-material": fluid.code}
    assert "not computed: price of oil missing" in client.post("/formulations/sheet/", typed).content.decode()
    change_material(fluid, actor=None, price=Decimal(25), currency="EUR")
    assert "11.5 EUR" in client.post("/formulations/sheet/", typed).content.decode()
    change_material(fluid, actor=None, price=Decimal(25), currency="USD")
    assert "prices in EUR and USD" in client.post("/formulations/sheet/", typed).content.decode()
    with pytest.raises(Invalid, match="needs its currency"):
        change_material(fluid, actor=None, price=Decimal(25), currency="euro")
    assert "10 EUR/kg" in client.get(f"/materials/{filler.code}/").content.decode()
    client.force_login(person(Role.OPERATOR, username="reader"))
    assert "EUR" not in client.get(f"/materials/{filler.code}/").content.decode()
    assert "price" not in client.get(f"/api/materials/{filler.code}/").json()


def test_too_much_is_said_as_too_much(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    assert "0.5 % too much" in client.post("/formulations/sheet/", sheet("90", "10.5")).content.decode()


def test_a_copy_is_a_new_formulation_that_names_its_origin_both_ways(client) -> None:
    origin = make_version()
    client.force_login(somebody(Role.CHEMIST))
    content = {"name": "paste for trams", "reason": "thicker"}
    assert client.post(f"/formulations/{origin.code}/copy/", content).status_code == 302
    copy = FormulationVersion.objects.get(formulation__name="paste for trams")
    assert (copy.number, copy.parent, copy.state) == (1, origin, "draft")
    assert copy.reason == f"Copied from {origin.code}. thicker"
    shares = [list(v.lines.values_list("material", "fraction", "tolerance")) for v in (origin, copy)]
    assert shares[0] == shares[1]
    assert "Copied from" in client.get(f"/formulations/{copy.code}/").content.decode()
    assert "paste for trams" in client.get(f"/formulations/{origin.code}/").content.decode()
    assert client.post(f"/formulations/{origin.code}/copy/", content).status_code == 409


def test_the_samples_and_comparisons_of_a_version_are_listed(client) -> None:
    batch = make_made_batch()
    sample = make_sample(source=batch)
    client.force_login(somebody(Role.CHEMIST))
    page = client.get(f"/formulations/{batch.recipe.code}/")
    assert [(kind, [node.code for node in nodes]) for kind, nodes in page.context["came_of"]] == [
        ("sample", [sample.code])
    ]
    assert sample.code in page.content.decode()


def test_the_loading_is_explored_with_what_the_lots_and_the_person_know(client) -> None:
    # 0.9/3950 and 0.1/970 m3/kg: 68.85 % by volume, above 64 %; 100 Pa at 100 kPa: 41.6 um by the scaling law
    filler = make_material("alumina, round, 5 um", density=3950.0, conductivity=30.0)
    make_material("silicone fluid", kind="carrier", density=970.0, conductivity=0.16)
    version = make_version()
    client.force_login(somebody(Role.CHEMIST))
    page = client.get(f"/formulations/{version.code}/").content.decode()
    assert "68.85" in page
    assert "The filler lies above it" in page
    assert "Bond line: not computed" in page
    lot = make_released_lot(filler)
    coarse = {"quantity": "top_cut", "value": 45.0, "unit": "um", "source": "own"}
    add_lot_property(lot, actor=somebody(Role.CHEMIST), **coarse)
    asked = f"/formulations/{version.code}/?yield_stress=100&pressure=100"
    assert f"top cut of {lot.code}" in client.get(asked).content.decode()
    plot = client.get(f"/formulations/{version.code}/loading.json?yield_stress=1000&pressure=100").json()
    gaps = next(one for one in plot["data"] if one["name"] == "bond line")["y"]
    assert gaps[0] == pytest.approx(60.992, abs=1e-3)
    client.force_login(person(Role.OPERATOR, username="reader"))
    assert client.get(f"/formulations/{version.code}/loading.json").status_code == 403
