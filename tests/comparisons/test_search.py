"""One box finds what is typed, what begins so, what holds the words and what is mistyped, and keeps secrets."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from lims.comparisons.search import find
from tests.factories import make_lot, make_material, make_sample, make_version, somebody

pytestmark = pytest.mark.django_db


def codes(text: str, *, role: Role = Role.CHEMIST, kind: str = "") -> list[str]:
    return [found.code for found in find(somebody(role), text, kind=kind)]


def test_the_same_comes_before_what_begins_so_before_what_holds_it_before_what_is_near():
    names = ("silicon pad", "grey silicone", "silicone pad", "silicone")
    near, holds, begins, same = (make_sample(name=name) for name in names)
    assert codes("silicone") == [same.code, begins.code, holds.code, near.code]
    assert [found.how for found in find(somebody(Role.OPERATOR), "silicone")] == [
        "the same", "begins so", "holds the words", "nearly",
    ]  # fmt: skip


@pytest.mark.parametrize("typed", ["alumna", "alumnia", "aluminna", "almuina round", "ALUMINA"])
def test_a_mistyped_name_is_found(typed):
    material = make_material("alumina, round, 5 um")
    make_material("boron nitride, platelets")
    assert codes(typed, kind="material") == [material.code]


def test_a_code_with_one_wrong_digit_or_two_swapped_finds_its_neighbours():
    sample = make_sample()
    digits = sample.code.removeprefix("S-")
    swapped = f"S-{digits[:2]}{digits[3]}{digits[2]}"
    wrong = f"S-{(int(digits[0]) + 1) % 10}{digits[1:]}"
    assert codes(sample.code)[0] == sample.code
    for typed in {swapped, wrong} - {sample.code}:
        assert sample.code in codes(typed), typed


def test_words_may_stand_in_the_material_and_in_the_suppliers_number_and_signs_mean_themselves():
    lot = make_lot(make_material("zinc oxide, fine"), supplier_lot="QX-77_1")
    make_lot(make_material("zinc oxide, coarse"), supplier_lot="QX-7781")
    assert codes("fine QX-77_1", kind="lot") == [lot.code]
    assert codes("%", kind="lot") == []


def test_a_recipe_is_absent_for_those_who_may_not_read_it():
    version = make_version("paste of three sizes")
    assert version.formulation.code in codes("paste of three")
    assert codes("paste of three", role=Role.OPERATOR) == []


def test_the_page_filters_by_kind_and_says_how_it_matches(client):
    sample, material = make_sample(name="boron paste"), make_material("boron nitride")
    client.force_login(somebody(Role.OPERATOR))
    page = client.get("/search/?q=boran&kind=sample").content.decode()
    assert sample.code in page
    assert material.code not in page
    assert "nearly" in page
    rows = client.get("/api/search/?q=boran").json()["found"]
    assert {row["code"] for row in rows} == {sample.code, material.code}
