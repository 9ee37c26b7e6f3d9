"""Naming and changing materials and suppliers."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed, Stale
from lims.materials import selectors, services
from tests.factories import make_material, make_supplier, person, somebody

pytestmark = pytest.mark.django_db
H335 = {"code": "H335", "text": "May irritate the airways"}


def test_a_material_keeps_what_is_known_of_it() -> None:
    aluminium = make_material("aluminium, flake", hazards=[H335], hazards_source="data sheet of 2026")
    assert aluminium.hazard_texts == ["H335 May irritate the airways"]


@pytest.mark.parametrize(
    ("name", "kind", "expected"),
    [
        ("alumina, round", "filler", ["powder"]),
        ("gallium-indium-tin alloy", "metal", ["gallium"]),
        ("aluminium nitride, 2 um", "filler", ["powder", "aluminium_nitride"]),
        ("silicone fluid", "carrier", []),
    ],
)
def test_the_cautions_follow_from_kind_and_name(name: str, kind: str, expected: list[str]) -> None:
    assert make_material(name, kind=kind).caution_keys == expected


def test_hazards_without_their_source_are_refused() -> None:
    with pytest.raises(Invalid) as refused:
        make_material(hazards=[H335])
    assert "hazards_source" in refused.value.fields


def test_a_wrong_hazard_code_is_named() -> None:
    with pytest.raises(Invalid, match="H33"):
        make_material(hazards=[{"code": "H33", "text": ""}], hazards_source="sheet")


@pytest.mark.parametrize("facts", [{"density": 3.95}, {"conductivity": 4e4}, {"kind": "magic"}])
def test_what_cannot_be_is_refused(facts: dict[str, object]) -> None:
    with pytest.raises(Invalid):
        make_material(**facts)  # type: ignore[arg-type]


def test_a_name_is_given_once_whatever_its_case() -> None:
    make_material("Alumina")
    with pytest.raises(Conflict):
        make_material("alumina")


def test_a_change_made_meanwhile_refuses_the_second() -> None:
    material, chemist = make_material(), somebody(Role.CHEMIST)
    read = material.version
    services.change_material(material, actor=chemist, version=read, shape="round")
    with pytest.raises(Stale):
        services.change_material(material, actor=chemist, version=read, shape="flake")
    material.refresh_from_db()
    assert material.shape == "round"


def test_an_approval_needs_grounds_and_a_day_to_come() -> None:
    supplier, quality = make_supplier(approved=False), somebody(Role.QUALITY)
    with pytest.raises(Invalid):
        services.approve_supplier(supplier, actor=quality, reason="")
    with pytest.raises(Invalid):
        services.approve_supplier(supplier, actor=quality, reason="audit", evaluate_again_on=timezone.localdate())
    day = timezone.localdate() + timedelta(days=365)
    assert services.approve_supplier(supplier, actor=quality, reason="audit", evaluate_again_on=day).approved


def test_an_approval_can_be_taken_back_once() -> None:
    supplier, quality = make_supplier(), somebody(Role.QUALITY)
    assert not services.withdraw_supplier_approval(supplier, actor=quality, reason="wrong powder twice").approved
    with pytest.raises(Conflict):
        services.withdraw_supplier_approval(supplier, actor=quality, reason="again")


ALLOWED = {"material.create": {"CHEMIST", "QUALITY"}, "supplier.create": {"CHEMIST", "QUALITY"}, "approve": {"QUALITY"}}


def test_each_role_names_and_approves_only_where_the_table_says_so() -> None:
    supplier = make_supplier("first", approved=False)
    people = {r.name: person(r, username=f"second-{r.value}") for r in Role} | {"OUTSIDER": person(None)}
    for name, user in people.items():
        acts = {
            "material.create": lambda u=user, n=name: services.create_material(actor=u, name=n, kind="filler"),
            "supplier.create": lambda u=user, n=name: services.create_supplier(actor=u, name=n),
            "approve": lambda u=user: services.approve_supplier(supplier, actor=u, reason="audit"),
        }
        for act, perform in acts.items():
            if name in ALLOWED[act]:
                perform()
            else:
                with pytest.raises(NotAllowed):
                    perform()


@pytest.mark.parametrize("name", ["OUTSIDER", "ADMINISTRATOR"])
def test_who_may_not_read_the_laboratory_sees_no_material(name: str) -> None:
    material = make_material()
    user = person(None if name == "OUTSIDER" else Role.ADMINISTRATOR, username="reader")
    with pytest.raises(NotAllowed):
        selectors.get_material_for(user, material.code)
