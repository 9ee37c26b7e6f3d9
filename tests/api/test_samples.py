"""Samples by API: the same refusals as by page, as problem details."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import RIGHTS, Role, Rule
from lims.samples.models import Sample
from tests.factories import make_sample, person, somebody

pytestmark = pytest.mark.django_db

# every field that 17025, 7.3.3 asks a sampling record for, by our names (SMP-01)
STATED = {
    "batch", "lot", "plan", "place", "taken_at", "amount", "container", "condition", "taken_by", "equipment",
    "deviations", "storage", "location", "expires_on", "hold_limit_hours",
}  # fmt: skip


def signed_in(user: Any) -> APIClient:
    client = APIClient()
    client.force_authenticate(user)
    return client


def sent(**changes: Any) -> dict[str, Any]:
    content = {
        "name": "outside paste",
        "taken_at": timezone.now().isoformat(),
        "amount": "20.5",
        "unit": "g",
        "container": "syringe",
        "condition": "even",
        "location": "cabinet 1",
    }
    return content | changes


def test_a_sample_is_registered_handed_over_split_and_read() -> None:
    api, chemist = signed_in(somebody(Role.OPERATOR)), somebody(Role.CHEMIST)
    made = api.post("/api/samples/", sent(), format="json")
    assert made.status_code == 201
    assert set(made.data) >= STATED
    address = f"/api/samples/{made.data['code']}"
    moved = api.post(f"{address}/move/", {"location": "bench 2", "holder": chemist.username}, format="json")
    assert [event["kind"] for event in moved.data["custody"]] == ["receive", "hand_over"]
    split = api.post(f"{address}/split/", {"amount": "5", "unit": "g", "container": "jar"}, format="json")
    assert split.data["left"] == "0.015500000"
    assert api.get("/api/samples/?state=held").data["results"][0]["amount"] == "0.005000000"


def test_the_schema_names_every_field_of_a_sampling_record() -> None:
    schema = signed_in(somebody(Role.OPERATOR)).get("/api/openapi.json?format=json").json()
    parts = schema["components"]["schemas"]
    assert set(parts["SampleDetail"]["properties"]) >= STATED
    assert "taken_at" in parts["SampleRequestRequest"]["required"]


@pytest.mark.parametrize("missing", ["taken_at", "amount", "container", "condition", "location", "name"])
def test_a_sample_without_a_field_names_it(missing: str) -> None:
    content = sent()
    del content[missing]
    answer = signed_in(somebody(Role.OPERATOR)).post("/api/samples/", content, format="json")
    assert answer.status_code == 422
    assert answer["Content-Type"] == "application/problem+json"
    assert missing in answer.data["fields"]
    assert not Sample.objects.exists()


def test_a_rig_as_a_source_is_refused_by_naming_the_kinds() -> None:
    answer = signed_in(somebody(Role.OPERATOR)).post("/api/samples/", sent(batch="RIG-03"), format="json")
    assert (answer.status_code, answer.data["code"]) == (422, "wrong-kind")
    assert answer.data["detail"] == "RIG-03 is a rig; a batch is expected here."


def test_the_same_key_makes_one_sample() -> None:
    api, content = signed_in(somebody(Role.OPERATOR)), sent()
    codes = {
        api.post("/api/samples/", content, format="json", headers={"Idempotency-Key": "k1"}).data["code"]
        for _ in range(2)
    }
    assert len(codes) == Sample.objects.count() == 1


def test_a_wrong_move_lists_the_allowed_acts() -> None:
    sample = make_sample()
    answer = signed_in(somebody(Role.OPERATOR)).post(f"/api/samples/{sample.code}/take/", {}, format="json")
    assert (answer.status_code, answer.data["code"]) == (409, "wrong-state")
    assert set(answer.data["allowed"]) == {"start_test", "split", "retain", "dispose"}


ACTS: dict[str, tuple[str, dict[str, Any]]] = {
    "take": ("sample.register", {}),
    "refuse": ("sample.refuse", {"reason": "x"}),
    "move": ("sample.move", {"location": "x"}),
    "note": ("sample.move", {"kind": "open"}),
    "split": ("sample.split", {"amount": "1", "unit": "g", "container": "x"}),
    "return": ("sample.use", {"location": "x"}),
    "use-up": ("sample.use", {}),
    "retain": ("sample.retain", {"location": "x", "keep_until": "2099-01-01"}),
    "release-for-retest": ("sample.release_for_retest", {"reason": "x"}),
    "dispose": ("sample.dispose", {"reason": "x"}),
    "permit-block": ("sample.permit_block", {"reason": "x", "block": "BL-001"}),
    "void": ("sample.void", {"reason": "x"}),
}


@pytest.mark.parametrize("role", [*Role, None])
def test_each_role_reaches_just_the_acts_of_its_rights(role: Role | None) -> None:
    api = signed_in(person(role, username="other"))
    for act, (right, content) in ACTS.items():
        sample = make_sample()
        allowed = role is not None and RIGHTS[right][role] is not Rule.NO
        answer = api.post(f"/api/samples/{sample.code}/{act}/", content, format="json")
        assert (answer.status_code != 403) is allowed, f"{act}: {answer.data}"
        assert answer.status_code in (200, 403, 404, 409)


@pytest.mark.parametrize("role", [None, Role.ADMINISTRATOR])
def test_who_may_not_read_the_laboratory_reads_no_sample(role: Role | None) -> None:
    sample = make_sample()
    api = signed_in(person(role, username="other"))
    for address in ("/api/samples/", f"/api/samples/{sample.code}/"):
        assert api.get(address).status_code == 403


def test_a_sample_there_is_none_of_is_404() -> None:
    answer = signed_in(somebody(Role.OPERATOR)).get("/api/samples/S-9999/")
    assert (answer.status_code, answer.data["code"]) == (404, "not-found")
