"""The page of claims: sentences, what was typed stays, and what a sample measured here makes of it."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from tests.factories import person, somebody
from tests.runs.test_perform_reduction import sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture(autouse=True)
def _reader(client):
    client.force_login(somebody(Role.AUDITOR))


def answer(client, status: int = 200, **query) -> str:
    found = client.get("/claims/", query)
    assert found.status_code == status, found.content.decode()
    return found.content.decode()


def test_a_claim_beyond_physics_is_impossible_in_one_sentence(client) -> None:
    # common practice, no source: alloys of gallium conduct 20 to 30
    page = answer(client, conductivity="120", kind="liquid_metal")
    assert "impossible" in page
    assert "A conductivity of 120 W/(m·K) is beyond 45 W/(m·K)" in page
    assert 'value="120"' in page


def test_a_rise_at_a_power_gives_impedance_and_apparent_conductivity(client) -> None:
    # common practice, no source: 6.44 K at 240 W over 30 mm by 30 mm at 12.6 um, by hand 24.15 mm2 K/W and 0.5217
    page = answer(client, temperature_rise="6.44", power="240", area="900", gap="12.6", kind="paste")
    assert "plausible" in page
    assert "24.15 mm²·K/W" in page
    assert "0.5217" in page


def test_what_it_takes_to_draw_level_is_told(client) -> None:
    page = answer(client, gap="20", rival_gap="12", rival_conductivity="3")
    assert "1.67 times the conductivity, 5 W/(m·K)" in page


def test_half_of_heat_flow_and_area_is_refused_and_nothing_typed_is_lost(client) -> None:
    page = answer(client, 422, power="240", gap="12.6")
    assert "State both, or neither." in page
    assert 'value="240"' in page


def test_a_sample_measured_here_stands_beside_the_claim(client) -> None:
    run, _ = sent_with_zero()
    code = run.application.sample.code
    page = answer(client, conductivity="1000", sample=code)
    assert "Beside what was measured of" in page
    assert run.code in page
    assert "S-9999" in answer(client, 404, sample="S-9999", conductivity="5")


def test_an_outsider_is_refused(client) -> None:
    client.force_login(person(None))
    assert client.get("/claims/").status_code == 403
