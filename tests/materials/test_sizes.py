"""A lot's whole size distribution: kept with the lot, compared with what is stated, bad rows named."""

from __future__ import annotations

import io

import pytest

from lims.accounts.roles import Role
from lims.core.errors import Invalid
from lims.files.services import store_file
from lims.materials import selectors, services
from tests.factories import add_d50, make_lot, somebody

pytestmark = pytest.mark.django_db
TABLE = "size [um];below\n1;0\n2;10\n5;50\n10;90\n20;100\n"


def add(lot, **facts):
    content = {"method": "laser diffraction, wet", "table": TABLE} | facts
    return services.add_size_distribution(lot, actor=somebody(Role.OPERATOR), **content)


def test_a_pasted_distribution_is_kept_and_compared_with_the_stated_sizes() -> None:
    lot = make_lot()
    add_d50(lot, 5.5, u=0.1)
    add(lot)
    (found,) = selectors.distributions_of(lot)
    # D10 and D90 are rows of the table; D50 too
    assert [round(one.computed, 6) for one in found.stated] == [2.0, 5.0, 10.0]
    assert found.stated[1].stated == pytest.approx(5.5)
    assert found.stated[1].difference == pytest.approx(-0.5)
    assert found.stated[1].disagrees
    assert found.stated[0].stated is None
    assert found.rows[1] == (pytest.approx(2.0), 10.0)
    plot = selectors.plot_of_sizes(lot)
    assert plot["data"][0]["name"] == "our own, laser diffraction, wet"


def test_a_file_is_kept_by_its_digest_and_its_sizes_become_results(file_store) -> None:
    lot = make_lot()
    file = store_file(io.BytesIO(TABLE.encode()), name="sizes.csv")
    row = add(lot, file=file, table="", as_results=True)
    assert row.file.sha256 == file.sha256
    values = {p.quantity: p.value for p in lot.properties.all()}
    assert values == pytest.approx({"d10": 2e-6, "d50": 5e-6, "d90": 10e-6})


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"table": "1;0\n2;x\n5;100"}, "row 2: 'x' is not a number"),
        ({"table": "1;0\n2;60\n5;50\n9;100"}, "Row 3: the share falls"),
        ({"unit": "nm"}, "The table's head says um, the form says nm"),
        ({"method": " "}, "Say how it was measured"),
        ({"table": ""}, "no row begins with a number"),
    ],
)
def test_bad_input_is_named_and_nothing_is_kept(facts, words: str) -> None:
    lot = make_lot()
    with pytest.raises(Invalid, match=words):
        add(lot, **facts)
    assert selectors.distributions_of(lot) == []


def test_a_correction_stands_in_place_of_what_it_corrects_and_says_why() -> None:
    lot = make_lot()
    first = add(lot)
    with pytest.raises(Invalid, match="Say why"):
        add(lot, replaces=first)
    second = add(lot, replaces=first, reason="wrong refractive index")
    assert [found.row.pk for found in selectors.distributions_of(lot)] == [second.pk]
    assert lot.distributions.count() == 2
