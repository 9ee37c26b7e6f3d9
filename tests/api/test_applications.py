"""Applications by API: check, plan, put on, tear down; the same refusals as by page."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import RIGHTS, Role, Rule
from lims.rigs import services as rigs
from lims.runs.models import Application
from tests.factories import (
    faces_of,
    make_application,
    make_blocks,
    make_method_version,
    make_rig,
    make_sample,
    person,
    somebody,
)

pytestmark = pytest.mark.django_db
APPLY = {"amount": "0.5", "unit": "g", "cleaning": "isopropanol", "pattern": "one dot", "force": 250.0}


def signed_in(user: Any) -> APIClient:
    client = APIClient()
    client.force_authenticate(user)
    return client


def planned(rig: Any, **changes: Any) -> dict[str, Any]:
    faces = faces_of(rig)
    assert faces.hot
    assert faces.cold
    content = {
        "sample": (changes.pop("record", None) or make_sample()).code,
        "rig": rig.code,
        "method_version": make_method_version().code,
        "hot_block": faces.hot.code,
        "cold_block": faces.cold.code,
    }
    return content | changes


def test_checked_planned_put_on_and_torn_down() -> None:
    api, rig = signed_in(somebody(Role.OPERATOR)), make_rig()
    content = planned(rig)
    checks = api.get("/api/applications/checks/", {"sample": content["sample"], "rig": rig.code})
    assert checks.data["may_begin"] is True
    assert [check["code"] for check in checks.data["checks"] if not check["ok"]] == ["zero-missing"]
    made = api.post("/api/applications/", content, format="json")
    assert (made.status_code, made.data["state"]) == (201, "planned")
    address = f"/api/applications/{made.data['code']}"
    applied = api.post(f"{address}/apply/", APPLY, format="json")
    assert applied.data["pressure"] == pytest.approx(250e3)
    assert applied.data["counts"] == {"applications": 1, "runs": 0, "reductions": 0}
    assert (applied.data["hot_block"]["finish"], applied.data["hot_block"]["uses"]) == ("lapped", 1)
    torn = api.post(f"{address}/tear-down/", {"coverage": 0.8}, format="json")
    assert (torn.data["state"], torn.data["pressure"]) == ("torn_down", pytest.approx(312.5e3))
    listed = api.get("/api/applications/", {"sample": content["sample"]})
    assert [row["code"] for row in listed.data["results"]] == [made.data["code"]]


@pytest.mark.parametrize("missing", ["hot_block", "cold_block", "sample", "method_version"])
def test_a_plan_without_a_part_names_it(missing: str) -> None:
    content = planned(make_rig())
    del content[missing]
    answer = signed_in(somebody(Role.OPERATOR)).post("/api/applications/", content, format="json")
    assert answer.status_code == 422
    assert missing in answer.data["fields"]


def test_a_rig_for_a_sample_is_refused_by_naming_both() -> None:
    rig = make_rig()
    answer = signed_in(somebody(Role.OPERATOR)).post("/api/applications/", planned(rig, sample=rig.code), format="json")
    assert (answer.status_code, answer.data["code"]) == (422, "wrong-kind")
    assert answer.data["detail"] == f"{rig.code} is a rig; a sample is expected here."


def test_an_overdue_rig_is_409_with_its_due_date_the_day_after() -> None:
    yesterday = timezone.localdate() - timedelta(days=1)
    api = signed_in(somebody(Role.OPERATOR))
    answer = api.post("/api/applications/", planned(make_rig(due_on=yesterday)), format="json")
    assert (answer.status_code, answer.data["code"]) == (409, "calibration-overdue")
    assert answer.data["due_on"] == yesterday.isoformat()


def test_a_rig_out_of_service_and_gallium_on_aluminium_are_409() -> None:
    api, keeper = signed_in(somebody(Role.OPERATOR)), somebody(Role.RIG_KEEPER)
    out = rigs.take_rig_out(make_rig(), actor=keeper, reason="smell")
    content = planned(out)
    assert api.post("/api/applications/", content, format="json").data["code"] == "rig-out-of-service"
    soft = make_rig("bench-3", blocks=make_blocks(keeper, metal="aluminium"))
    alloy = make_sample(material_kind="liquid_metal")
    faces = faces_of(soft)
    content |= {"sample": alloy.code, "rig": soft.code, "hot_block": faces.hot.code, "cold_block": faces.cold.code}
    answer = api.post("/api/applications/", content, format="json")
    assert (answer.status_code, answer.data["code"]) == (409, "incompatible-metal")


def test_a_sample_past_its_hold_time_needs_a_reason() -> None:
    api = signed_in(somebody(Role.OPERATOR))
    old = make_sample(taken_at=timezone.now() - timedelta(hours=80), hold_limit_hours=72.0)
    made = api.post("/api/applications/", planned(make_rig(), record=old), format="json")
    address = f"/api/applications/{made.data['code']}/apply/"
    answer = api.post(address, APPLY, format="json")
    assert (answer.status_code, answer.data["code"]) == (422, "departure-needed")
    assert "hold time exceeded by 8 h" in answer.data["detail"]
    assert api.post(address, APPLY | {"departure": "asked for"}, format="json").status_code == 200


ACTS: dict[str, tuple[str, dict[str, Any]]] = {
    "apply": ("application.apply", APPLY),
    "settle": ("application.settle", {}),
    "tear-down": ("application.tear_down", {"coverage": 0.9}),
    "void": ("application.void", {"reason": "slipped"}),
}


@pytest.mark.parametrize("role", [*Role, None])
def test_each_role_reaches_just_the_acts_of_its_rights(role: Role | None) -> None:
    application = make_application()
    api = signed_in(person(role, username="other"))
    for act, (right, content) in ACTS.items():
        allowed = role is not None and RIGHTS[right][role] is not Rule.NO
        answer = api.post(f"/api/applications/{application.code}/{act}/", content, format="json")
        assert (answer.status_code != 403) is allowed, f"{act}: {answer.data}"
    reads = role is not None and RIGHTS["laboratory.read"][role] is not Rule.NO
    assert (api.get(f"/api/applications/{application.code}/").status_code == 200) is reads


def test_the_same_key_plans_once() -> None:
    api, content = signed_in(somebody(Role.OPERATOR)), planned(make_rig())
    for _ in range(2):
        answer = api.post("/api/applications/", content, format="json", headers={"Idempotency-Key": "once"})
        assert answer.status_code == 201
    assert Application.objects.count() == 1
