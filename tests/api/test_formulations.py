"""Formulations by API: lines on any basis, the computed sheet, a copy."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from tests.api.test_lots import signed_in
from tests.factories import make_material, make_version, person, somebody

pytestmark = pytest.mark.django_db


def test_lines_on_any_basis_are_computed_and_stored_as_mass_fractions() -> None:
    # by hand: 900 parts on 100 of fluid are 90 %; 0.9/3950 and 0.1/970 m3/kg make 68.85 % by volume and 3022 kg/m3
    filler = make_material("alumina", density=3950.0, conductivity=30.0).code
    fluid = make_material("fluid", kind="carrier", density=970.0, conductivity=0.16).code
    client = signed_in(somebody(Role.CHEMIST))
    lines = [{"material": filler, "basis": "parts", "amount": "900"}, {"material": fluid, "basis": "rest"}]
    sheet = client.post("/api/formulations/sheet/", {"lines": lines}, format="json").json()
    assert [line["fraction"] for line in sheet["lines"]] == ["0.90000000", "0.10000000"]
    assert sheet["lines"][0]["volume_fraction"] == pytest.approx(0.6885, abs=5e-5)
    assert sheet["density"] == pytest.approx(3022, abs=0.5)
    assert sheet["not_computed"] == {"cost": "not computed: price of alumina, fluid missing"}
    made = client.post("/api/formulations/", {"name": "paste", "lines": lines, "steps": []}, format="json")
    assert made.status_code == 201
    assert [line["fraction"] for line in made.json()["lines"]] == ["0.90000000", "0.10000000"]
    both = [{"material": filler, "fraction": "0.9", "basis": "mass"}]
    wrong = client.post("/api/formulations/sheet/", {"lines": both}, format="json")
    assert wrong.status_code == 422
    assert "found basis and fraction" in wrong.content.decode()


def test_a_copy_answers_with_the_new_version_and_a_sheet_needs_the_right() -> None:
    version = make_version()
    made = signed_in(somebody(Role.CHEMIST)).post(f"/api/formulations/{version.code}/copy/", {"name": "copy"})
    assert made.status_code == 201
    assert made.json()["reason"] == f"Copied from {version.code}."
    outsider = signed_in(person(Role.OPERATOR, username="reader"))
    assert outsider.post("/api/formulations/sheet/", {"lines": []}, format="json").status_code == 403
