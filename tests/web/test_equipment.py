"""Equipment by page: taken in, calibrated, stopped when overdue, and the step that asks for quality's word (FRM-08)."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.formulations import services
from lims.formulations.models import BenchEquipment, StepRecord
from tests.factories import PASSWORD, make_batch, somebody, weigh_all

pytestmark = pytest.mark.django_db


def day(number: int) -> str:
    return (timezone.localdate() + timedelta(days=number)).isoformat()


def test_a_balance_is_taken_in_calibrated_and_stopped_the_day_after_it_was_due(client) -> None:
    client.force_login(somebody(Role.RIG_KEEPER))
    sent = {"kind": "balance", "name": "fine balance", "resolution": "0.0001", "needs_calibration": "on"}
    made = client.post("/equipment/new/", sent)
    row = BenchEquipment.objects.get()
    assert made.url == f"/equipment/{row.code}/"
    assert row.code.startswith("BAL-")
    assert b"has no calibration" in client.get(made.url).content
    assert client.get(f"/c/{row.code}").url == made.url
    calibration = {"performed_on": day(0), "due": day(365), "certificate": "DL-1"}
    assert client.post(f"{made.url}calibrate/", calibration | {"due": day(-1)}).status_code == 422
    assert client.post(f"{made.url}calibrate/", calibration).status_code == 302
    page = client.get(made.url)
    assert b"data-stop" not in page.content
    assert b"DL-1" in page.content
    assert client.get(f"{made.url}label.pdf").content.startswith(b"%PDF")
    BenchEquipment.objects.update(calibration_due=day(-1))
    assert f"it was due on {day(-1)}" in client.get(made.url).content.decode()
    assert b"is out of calibration" in client.get("/equipment/").content


def test_a_step_with_a_mixer_past_its_date_goes_on_only_by_the_word_of_quality(client) -> None:
    services.add_equipment(
        actor=somebody(Role.RIG_KEEPER),
        code="MIX-07",
        name="mixer",
        kind="mixer",
        calibration_due=timezone.localdate() - timedelta(days=1),
    )
    batch = services.close_weighing(weigh_all(make_batch()), actor=somebody(Role.CHEMIST))
    client.force_login(somebody(Role.CHEMIST))
    bench, sent = f"/batches/{batch.code}/bench/", {"speed": "1200", "duration": "10", "equipment": "MIX-07"}
    assert "override_name" not in client.get(bench).context["form"].fields
    refused = client.post(bench, sent)
    assert refused.status_code == 409
    assert "override_name" in refused.context["form"].fields
    word = {"override_name": somebody(Role.QUALITY).username, "override_reason": "speed read by strobe"}
    assert client.post(bench, sent | word | {"override_password": "wrong"}).status_code == 403
    assert client.post(bench, sent | word | {"override_password": PASSWORD}).status_code == 302
    assert StepRecord.objects.get().overridden_by == somebody(Role.QUALITY)
