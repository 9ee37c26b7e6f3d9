"""Equipment by API, and a step that needs quality's word for it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.formulations import services
from tests.factories import PASSWORD, make_batch, somebody, weigh_all

pytestmark = pytest.mark.django_db


def signed_in(role: Role) -> APIClient:
    client = APIClient()
    client.force_authenticate(somebody(role))
    return client


def test_a_mixer_is_added_calibrated_and_taken_out_and_a_step_with_it_needs_the_word_of_quality() -> None:
    keeper, chemist = signed_in(Role.RIG_KEEPER), signed_in(Role.CHEMIST)
    added = keeper.post("/api/equipment/", {"name": "mixer", "kind": "mixer"}, format="json")
    assert (added.status_code, added.data["may_be_used"]) == (201, False)
    address = f"/api/equipment/{added.data['code']}"
    due = (timezone.localdate() + timedelta(days=30)).isoformat()
    held = keeper.post(f"{address}/calibrate/", {"due": due, "certificate": "DL-2"}, format="json")
    assert (held.data["may_be_used"], held.data["calibrations"][0]["certificate"]) == (True, "DL-2")
    assert chemist.post(f"{address}/calibrate/", {"due": due, "certificate": "x"}, format="json").status_code == 403
    keeper.post(f"{address}/set-service/", {"in_service": False, "reason": "seal leaks"}, format="json")
    assert "seal leaks" in keeper.get(f"{address}/").data["why_not"]
    batch = services.close_weighing(weigh_all(make_batch()), actor=somebody(Role.CHEMIST))
    step = {"position": 1, "speed": 20.0, "duration": 600.0, "equipment": added.data["code"]}
    refused = chemist.post(f"/api/batches/{batch.code}/do-step/", step, format="json")
    assert (refused.status_code, refused.data["code"]) == (409, "equipment-not-fit")
    word = {"override_by": somebody(Role.QUALITY).username, "override_password": PASSWORD, "override_reason": "dry run"}
    assert chemist.post(f"/api/batches/{batch.code}/do-step/", step | word, format="json").status_code == 200
