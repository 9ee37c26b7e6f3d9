"""Claims over the interface."""

from __future__ import annotations

import pytest
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from tests.factories import person, somebody
from tests.runs.test_perform_reduction import sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture
def api():
    client = APIClient()
    client.force_authenticate(somebody(Role.AUDITOR))
    return client


def test_a_claim_is_judged_in_sentences_with_what_follows(api) -> None:
    # by hand: 20 um at 9 W/(m K) has 2.222 mm2 K/W before any contact
    found = api.post("/api/claims/", {"conductivity": 9.0, "gap": 20.0, "impedance": 1.0}, format="json")
    assert found.status_code == 200
    judged = found.json()["judged"]
    assert judged["verdict"] == "impossible"
    assert judged["follows"]["layer_impedance"]["value"] == pytest.approx(2.2222, abs=1e-4)
    assert "2.222 mm^2*K/W before any contact" in judged["sentence"]


def test_a_sample_stands_beside_the_claim(api) -> None:
    run, _ = sent_with_zero()
    content = {"conductivity": 1000.0, "sample": run.application.sample.code}
    found = api.post("/api/claims/", content, format="json").json()
    assert found["measured"]["run"] == run.code
    assert set(found["measured"]["figures"]) == {"gap", "thermal_impedance"}
    assert found["measured"]["judged"]["verdict"] in ("doubtful", "impossible")


@pytest.mark.parametrize(
    ("content", "field"), [({}, "conductivity"), ({"power": 5.0}, "area"), ({"gap": "thin"}, "gap")]
)
def test_what_no_claim_can_have_is_named(api, content, field) -> None:
    found = api.post("/api/claims/", content, format="json")
    assert found.status_code == 422
    assert field in found.json()["fields"]


def test_an_outsider_is_refused() -> None:
    client = APIClient()
    client.force_authenticate(person(None))
    assert client.post("/api/claims/", {"gap": 1.0}, format="json").status_code == 403
