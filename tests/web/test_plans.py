"""Plans in the browser and through the interface: draw, accept, put the next one on, scan the wrong one."""

import pytest

from lims.accounts.roles import Role
from lims.runs.models import TestPlan
from tests.factories import make_method_version, make_rig, make_sample, somebody

pytestmark = pytest.mark.django_db


def test_a_plan_is_drawn_accepted_and_its_next_line_put_on(client):
    samples, rig, version = [make_sample(name=n) for n in ("one", "two")], make_rig(), make_method_version()
    codes = " ".join(s.code for s in samples)
    sent = {"title": "two pastes", "method_version": version.code, "samples": codes, "rigs": [rig.code]}
    sent |= {"replicates": "2", "days": "2", "per_block": "2", "seed": "4"}
    client.force_login(somebody(Role.CHEMIST))
    refused = client.post("/plans/new/", sent | {"samples": f"{codes} {rig.code}"})
    assert refused.status_code == 422
    assert "is a rig; a sample is expected here" in refused.content.decode()
    page = client.post("/plans/new/", sent, follow=True)
    plan = TestPlan.objects.get()
    assert plan.code in page.content.decode()
    assert client.post(f"/plans/{plan.code}/accept/", {}).status_code == 302
    client.force_login(somebody(Role.OPERATOR))
    first = plan.lines.order_by("position").first()
    today = client.get("/").content.decode()
    assert f"/applications/new/?line={plan.code}:1" in today
    assert first.sample.code in today
    other = next(s for s in samples if s != first.sample)
    asked = f"/applications/new/?line={plan.code}:1&rig={rig.code}&sample="
    wrong = client.get(asked + other.code)
    assert wrong.status_code == 409
    assert f"{other.code} was scanned; line 1 of {plan.code} asks for {first.sample.code}." in wrong.content.decode()
    blocks = [rig.configurations.get().hot_block.code, rig.configurations.get().cold_block.code]
    facts = {"method_version": version.code, "hot_block": blocks[0], "cold_block": blocks[1], "cleaning": "wiped"}
    facts |= {"amount": "0.5", "pattern": "cross", "force": "250", "blocks_cleaned": "on", "out_of_order": ""}
    done = client.post(asked + first.sample.code, facts)
    assert done.status_code == 302, done.content.decode()
    shown = client.get(done["Location"]).content.decode()
    assert "line 1 of" in shown
    assert "no zero of the last days" in shown
    lines = client.get(f"/api/plans/{plan.code}/").json()["lines"]
    assert lines[0]["application"] in done["Location"]
    skipped = client.post(
        f"/api/plans/{plan.code}/lines/2/skip/", {"reason": "used up"}, content_type="application/json"
    )
    assert skipped.json()["skipped_reason"] == "used up"
