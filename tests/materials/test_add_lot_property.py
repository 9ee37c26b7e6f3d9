"""Values of a lot (MAT-04, MAT-05): supplier's and own side by side, converted at the border, within nature's range."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.materials import kinds, selectors, services
from tests.factories import make_lot, make_material, make_supplier, person, somebody

pytestmark = pytest.mark.django_db


def add(lot, value, unit, **facts):
    facts = {"actor": somebody(Role.CHEMIST), "quantity": "d50"} | facts
    return services.add_lot_property(lot, value=value, unit=unit, **facts)


def test_a_value_is_kept_in_si_and_as_it_was_entered() -> None:
    row = add(make_lot(), 5.2, "µm", u=0.1, method="laser diffraction, ISO 13320")
    assert row.value == pytest.approx(5.2e-6)
    assert row.u == pytest.approx(1e-7)
    assert row.as_entered == "5.2 µm (u 0.1)"


def test_supplier_and_own_stand_side_by_side_with_their_difference_and_en() -> None:
    # En number, ISO 13528:2022, 9.6: (x - X) / sqrt(U(x)^2 + U(X)^2); here (5.3 - 5.0) / sqrt(0.2^2 + 0.15^2) = 1.2
    lot = make_lot()
    add(lot, 5.0, "um", u=0.075, source="supplier")
    add(lot, 5.3, "um", u=0.1)
    row = next(r for r in selectors.results_of(lot) if r.key == "d50")
    assert (row.supplier[0].value, row.own[0].value) == (pytest.approx(5.0), pytest.approx(5.3))
    assert row.difference == pytest.approx(0.3)
    assert row.en == pytest.approx(1.2)


def test_without_one_uncertainty_there_is_no_en() -> None:
    lot = make_lot()
    add(lot, 5.0, "um", source="supplier")
    add(lot, 5.3, "um", u=0.1)
    assert next(r for r in selectors.results_of(lot) if r.key == "d50").en is None


@pytest.mark.parametrize(
    ("quantity", "value", "unit"),
    [("d50", 5.2, "mm"), ("density", 3.95, "kg/m^3"), ("moisture", 101, "%"), ("conductivity", -1, "W/(m*K)")],
)
def test_a_value_outside_nature_is_refused_with_the_range(quantity: str, value: float, unit: str) -> None:
    lot = make_lot()
    with pytest.raises(Invalid) as refused:
        add(lot, value, unit, quantity=quantity)
    assert (refused.value.status, refused.value.code) == (422, "out-of-range")
    assert "Expected" in refused.value.fields["value"][0]
    assert not lot.properties.exists()


@pytest.mark.parametrize("unit", ["kg", "W/mK", "grobble", ""])
def test_a_unit_of_another_dimension_is_refused_by_name(unit: str) -> None:
    with pytest.raises(Invalid) as refused:
        add(make_lot(), 5.2, unit)
    assert refused.value.code == "bad-unit"


def test_a_correction_names_what_it_replaces_and_why_and_both_stay() -> None:
    lot = make_lot()
    first = add(lot, 52, "um")
    with pytest.raises(Invalid, match="Say why"):
        add(lot, 5.2, "um", replaces=first)
    add(lot, 5.2, "um", replaces=first, reason="read the wrong line")
    row = next(r for r in selectors.results_of(lot) if r.key == "d50")
    assert [r.value for r in row.own] == [pytest.approx(5.2)]
    assert lot.properties.count() == 2
    with pytest.raises(Conflict, match="corrected already"):
        add(lot, 5.3, "um", replaces=first, reason="again")


def test_a_new_property_needs_one_entry_and_no_migration(monkeypatch) -> None:
    whiteness = kinds.Property("whiteness", "whiteness", "ratio", "%", 0.0, 1.0)
    monkeypatch.setattr(kinds, "PROPERTIES", {**kinds.PROPERTIES, "whiteness": whiteness})
    lot = make_lot()
    add(lot, 92, "%", quantity="whiteness")
    row = next(r for r in selectors.results_of(lot) if r.key == "whiteness")
    assert row.own[0].value == pytest.approx(92)


def test_each_role_adds_only_where_the_table_says_so() -> None:
    make_material(), make_supplier()
    lot, people = make_lot(), {r.name: person(r, username=f"second-{r.value}") for r in Role}
    for name, user in {**people, "OUTSIDER": person(None)}.items():
        allowed = name in ("CHEMIST", "OPERATOR", "QUALITY")
        if allowed:
            assert add(lot, 5.0, "um", actor=user).entered_by == user
        else:
            with pytest.raises(NotAllowed):
                add(lot, 5.0, "um", actor=user)
