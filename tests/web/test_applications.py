"""Applications by page: scan, check, put on, tear down."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from lims.accounts.roles import RIGHTS, Role, Rule
from lims.core.codes import printed
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


@pytest.fixture
def operator(client) -> Any:
    user = somebody(Role.OPERATOR)
    client.force_login(user)
    return user


def bench(sample: Any, rig: Any) -> str:
    return f"/applications/new/?sample={printed(sample.code)}&rig={rig.code}"


def sent(rig: Any, version: Any, **changes: Any) -> dict[str, Any]:
    faces = faces_of(rig)
    assert faces.hot
    assert faces.cold
    content = {
        "method_version": version.code,
        "hot_block": printed(faces.hot.code),
        "cold_block": faces.cold.code,
        "cleaning": "isopropanol",
        "amount": "0.5",
        "pattern": "one dot",
        "force": "250",
    }
    return content | changes


def test_scan_check_put_on_tear_down(client, operator, file_store) -> None:
    sample, rig, version = make_sample(), make_rig(), make_method_version()
    page = client.get(bench(sample, rig)).content.decode()
    assert f"{sample.code} {sample.name} is ready" in page
    assert "in service and in calibration" in page
    assert "Take a zero first" in page
    done = client.post(bench(sample, rig), sent(rig, version))
    application = Application.objects.get()
    assert done.url == f"/applications/{application.code}/"
    page = client.get(done.url).content.decode()
    for words in ("250.0", "kPa", "area assumed full", sample.code, rig.code, version.code, "Pressing force"):
        assert words in page
    photo = SimpleUploadedFile("faces.jpg", b"\xff\xd8\xff\xe0 picture", content_type="image/jpeg")
    torn = client.post(f"{done.url}tear-down/", {"coverage": "80", "photo": photo})
    assert torn.status_code == 302
    application.refresh_from_db()
    assert (application.state, application.coverage) == ("torn_down", 0.8)
    page = client.get(done.url).content.decode()
    assert "312.5" in page
    assert "faces.jpg" in page


def test_the_boxes_refuse_the_wrong_kind_by_naming_both(client, operator) -> None:
    rig = make_rig()
    answer = client.get(f"/applications/new/?sample={rig.code}&rig={rig.code}")
    assert answer.status_code == 422
    assert f"{rig.code} is a rig; a sample is expected here." in answer.content.decode()


def test_a_wrong_check_character_is_told_as_that(client, operator) -> None:
    sample = make_sample()
    right = printed(sample.code)[-1]
    wrong = f"{sample.code} {'A' if right != 'A' else 'B'}"
    answer = client.get(f"/applications/new/?sample={wrong}&rig=RIG-01")
    assert "check character does not match" in answer.content.decode()


def test_an_unknown_code_is_told_at_the_scan(client, operator) -> None:
    answer = client.get("/applications/new/?sample=S-9999&rig=RIG-99")
    assert answer.status_code == 404
    assert "There is no sample S-9999" in answer.content.decode()


def test_an_overdue_rig_shows_one_reason_and_no_form(client, operator) -> None:
    due = timezone.localdate() - timezone.timedelta(days=1)
    sample, rig = make_sample(), make_rig(due_on=due)
    answer = client.get(bench(sample, rig))
    page = answer.content.decode()
    assert "Stop: the work cannot begin" in page
    assert due.isoformat() in page
    assert 'name="amount"' not in page
    forced = client.post(bench(sample, rig), sent(rig, make_method_version()))
    assert forced.status_code == 409
    assert not Application.objects.exists()


def test_the_scan_page_of_an_overdue_rig_is_a_stop_with_its_due_date(client, operator) -> None:
    due = timezone.localdate() - timezone.timedelta(days=1)
    rig = make_rig(due_on=due)
    assert client.get(f"/c/{rig.code}").url == f"/rigs/{rig.code}/"
    page = client.get(f"/rigs/{rig.code}/").content.decode()
    assert "Stop: do not use this rig" in page
    assert f"<strong>{due.isoformat()}</strong>" in page


def test_gallium_on_aluminium_is_stopped_by_page(client, operator) -> None:
    rig = make_rig(blocks=make_blocks(somebody(Role.RIG_KEEPER), metal="aluminium"))
    sample = make_sample(material_kind="liquid_metal")
    assert "attacks aluminium" in client.get(bench(sample, rig)).content.decode()
    assert client.post(bench(sample, rig), sent(rig, make_method_version())).status_code == 409
    assert "Gallium alloy" in client.get(f"/samples/{sample.code}/").content.decode()


@pytest.mark.parametrize("field", ["hot_block", "cold_block", "cleaning", "pattern", "amount", "force"])
def test_a_missing_part_is_422_with_the_form_filled(client, operator, field: str) -> None:
    sample, rig, version = make_sample(), make_rig(), make_method_version()
    answer = client.post(bench(sample, rig), sent(rig, version, **{field: ""}))
    assert answer.status_code == 422
    assert field in answer.context["form"].errors
    assert not Application.objects.exists()


def test_a_slip_of_ten_in_the_force_is_asked_about(client, operator) -> None:
    sample, rig, version = make_sample(), make_rig(), make_method_version()
    answer = client.post(bench(sample, rig), sent(rig, version, force="25"))
    assert answer.status_code == 422
    assert "1/10 of" in answer.content.decode()


def test_a_force_off_the_method_asks_for_a_departure(client, operator) -> None:
    sample, rig, version = make_sample(), make_rig(), make_method_version()
    answer = client.post(bench(sample, rig), sent(rig, version, force="275"))
    assert answer.status_code == 422
    assert "departure" in answer.context["form"].errors
    assert client.post(bench(sample, rig), sent(rig, version, force="275", departure="asked for")).status_code == 302


def test_a_planned_application_is_put_on_from_its_page(client, operator) -> None:
    sample, rig, version = make_sample(), make_rig(), make_method_version()
    faces = faces_of(rig)
    content = {
        "sample": sample.code,
        "rig": rig.code,
        "method_version": version.code,
        "hot_block": faces.hot.code,
        "cold_block": faces.cold.code,
    }
    planned = client.post("/applications/plan/", content)
    assert planned.status_code == 302
    assert client.post(f"{planned.url}apply/", sent(rig, version)).status_code == 302
    assert Application.objects.get().state == "applied"


def test_a_retired_method_is_not_offered_and_marked_on_old_work(client, operator) -> None:
    application = make_application()
    version = application.method_version
    rigs.retire_method_version(version, actor=somebody(Role.QUALITY), reason="superseded")
    page = client.get(bench(application.sample, application.rig)).content.decode()
    assert version.code not in page
    assert "retired" in client.get(f"/applications/{application.code}/").content.decode()


ACTS = {
    "apply": "application.apply",
    "settle": "application.settle",
    "tear-down": "application.tear_down",
    "void": "application.void",
}


@pytest.mark.parametrize("role", [*Role, None])
def test_each_role_reaches_just_the_acts_of_its_rights(client, role) -> None:
    application = make_application()
    client.force_login(person(role, username="other"))
    for act, right in ACTS.items():
        allowed = role is not None and RIGHTS[right][role] is not Rule.NO
        assert (client.post(f"/applications/{application.code}/{act}/", {}).status_code != 403) is allowed, act
    reads = role is not None and RIGHTS["laboratory.read"][role] is not Rule.NO
    assert (client.get(f"/applications/{application.code}/").status_code == 200) is reads
