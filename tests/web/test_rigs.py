"""Rigs, blocks, sensors and methods by page."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from lims.accounts.roles import RIGHTS, Role, Rule
from lims.rigs.models import Block, MethodVersion, Rig
from lims.rigs.selectors import configuration_at, setup_at
from tests.factories import make_application, make_method_version, make_rig, person, somebody

pytestmark = pytest.mark.django_db


@pytest.fixture
def keeper(client) -> Any:
    user = somebody(Role.RIG_KEEPER)
    client.force_login(user)
    return user


BLOCK = {
    "metal": "copper",
    "finish": "lapped",
    "area": "1000",
    "area_u": "2",
    "conductivity": "390",
    "conductivity_u": "4",
    "flatness": "3",
}
COLUMNS = (
    ("hot", "hot_temperature", "degC", "2"),
    ("cold", "cold_temperature", "degC", "2"),
    ("force", "force", "N", ""),
)


def test_a_rig_is_taken_in_equipped_calibrated_and_configured(client, keeper, file_store) -> None:
    made = client.post("/rigs/new/", {"name": "bench-4", "location": "room 3", "time_zone": "UTC", "maker": "own"})
    rig = Rig.objects.get()
    assert made.url == f"/rigs/{rig.code}/"
    for role in ("hot", "cold"):
        assert client.post("/blocks/new/", BLOCK | {"name": role, "role": role}).status_code == 302
    hot, cold = Block.objects.order_by("id")
    assert (hot.area, hot.flatness) == (pytest.approx(1e-3), pytest.approx(3e-6))
    for column, quantity, unit, _ in COLUMNS:
        sensor = {"serial": f"{column}-1", "quantity": quantity}
        assert client.post(f"/rigs/{rig.code}/add-sensor/", sensor).status_code == 302
        calibration = {
            "due_on": (timezone.localdate() + timedelta(days=300)).isoformat(),
            "unit": unit,
            "gain": "1",
            "offset": "0,02",
            "u": "0.03",
            "reference": "reference block 2",
            "certificate": SimpleUploadedFile("c.pdf", b"%PDF " + column.encode()),
        }
        assert client.post(f"/rigs/{rig.code}/sensors/{column}-1/", calibration).status_code == 302
        proposed = rig.sensors.get(serial=f"{column}-1").calibrations.get()
        decision = f"/rigs/{rig.code}/calibrations/{proposed.pk}/approve/"
        assert client.post(decision, {}).status_code == 403
        client.force_login(somebody(Role.QUALITY))
        assert client.post(decision, {}).status_code == 302
        client.force_login(keeper)
    assert client.post(f"/rigs/{rig.code}/configure/", configuration(rig, hot, cold)).status_code == 302
    setup = setup_at(rig, timezone.now())["setup"]
    assert [row["column"] for row in setup["channel"]] == ["time", "hot", "cold", "force"]
    assert setup["channel"][1] | {"depth": ""} == {
        "column": "hot", "quantity": "hot_temperature", "unit": "degC", "gain": 1.0, "offset": 0.02, "u": 0.03,
        "depth": "",
    }  # fmt: skip
    page = client.get(f"/rigs/{rig.code}/").content.decode()
    for words in ("Maker", "Type", "Serial number", "Location", "Software and firmware", "Acceptance evidence",
                  "Maintenance and damage", "Channels and calibrations", "hot-1", hot.code):  # fmt: skip
        assert words in page


def configuration(rig: Rig, hot: Block, cold: Block, **changes: Any) -> dict[str, Any]:
    sensors = {sensor.serial: sensor.pk for sensor in rig.sensors.all()}
    rows = [("time", "time", "s", "", ""), *((c, q, u, d, sensors[f"{c}-1"]) for c, q, u, d in COLUMNS)]
    content: dict[str, Any] = {
        "reason": "first",
        "hot_block": hot.code,
        "cold_block": cold.code,
        "heat_flow": "electrical",
        "loss_conductance": "0.08",
        "loss_conductance_u": "0.02",
        "gap_resolution": "0.1",
        "gap_expansion": "0.06",
        "gap_expansion_u": "0.012",
        "zero_max_age": "8",
        "zero_max_drift": "1",
        "channel-TOTAL_FORMS": str(len(rows) + 1),
        "channel-INITIAL_FORMS": "1",
    }
    for number, (column, quantity, unit, depth, sensor) in enumerate(rows):
        row = {"column": column, "quantity": quantity, "unit": unit, "depth": depth, "sensor": sensor, "pair": ""}
        content |= {f"channel-{number}-{name}": value for name, value in row.items()}
    empty = {"column": "", "quantity": "", "unit": "", "depth": "", "sensor": "", "pair": ""}
    content |= {f"channel-{len(rows)}-{name}": value for name, value in empty.items()}
    return content | changes


def test_a_configuration_with_a_wrong_block_comes_back_filled(client, keeper) -> None:
    rig = make_rig()
    address = f"/rigs/{rig.code}/configure/"
    shown = client.get(address)
    content = {
        name: value
        for form in (shown.context["form"], *shown.context["channels"].forms)
        for name, value in ((form.add_prefix(key), form[key].value()) for key in form.fields)
        if value not in (None, False)
    }
    management = shown.context["channels"].management_form
    content |= {management.add_prefix(key): management[key].value() for key in management.fields}
    wrong = client.post(address, content | {"reason": "try", "hot_block": content["cold_block"]})
    assert wrong.status_code == 422
    assert "a heater block is expected here" in wrong.content.decode()
    assert rig.configurations.count() == 1
    content["channel-1-depth"] = "3"
    assert client.post(address, content | {"reason": "deeper"}).status_code == 302
    assert configuration_at(rig, timezone.now()).channels.get(column="hot").depth == pytest.approx(0.003)


def test_the_log_and_the_way_out_of_service_and_back(client, keeper) -> None:
    rig = make_rig()
    note = {"kind": "damage", "text": "scratch on the cooled block"}
    assert client.post(f"/rigs/{rig.code}/note/", note).status_code == 302
    assert client.post(f"/rigs/{rig.code}/take-out/", {"reason": "sensor loose"}).status_code == 302
    page = client.get(f"/rigs/{rig.code}/").content.decode()
    assert "scratch on the cooled block" in page
    assert "Stop: do not use this rig" in page
    own = client.post(f"/rigs/{rig.code}/return/", {"reason": "fixed"})
    assert own.status_code == 403
    assert "took part in this work" in own.content.decode()
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/rigs/{rig.code}/return/", {"reason": "zero in order"}).status_code == 302
    assert "Stop" not in client.get(f"/rigs/{rig.code}/").content.decode()


def test_changing_the_location_shows_in_the_history(client, keeper) -> None:
    rig = make_rig()
    facts = {"name": rig.name, "location": "room 12", "time_zone": "UTC", "reason": "new room"}
    assert client.post(f"/rigs/{rig.code}/change/", facts).status_code == 302
    page = client.get(f"/rigs/{rig.code}/").content.decode()
    assert "bench 2" in page
    assert "new room" in page


def test_an_overlapping_calibration_is_told_in_its_form(client, keeper) -> None:
    sensor = make_rig().sensors.get(quantity="force")
    content = {
        "valid_from": "2020-01-01T08:00", "due_on": "2030-01-01", "unit": "N", "gain": "1", "offset": "0", "u": "1",
        "reference": "deadweights",
    }  # fmt: skip
    answer = client.post(f"/rigs/{sensor.rig.code}/sensors/{sensor.serial}/", content)
    assert answer.status_code == 409
    assert "intervals cannot overlap" in answer.content.decode()


METHOD = {
    "name": "steady, 250 N", "area": "1000", "surface": "lapped", "heater_power": "150", "heater_power_tolerance": "1",
    "force": "250", "force_tolerance": "2", "coolant_temperature": "25", "coolant_tolerance": "0.5", "soak": "0",
    "min_duration": "180", "max_slope": "0.05", "repeats": "3", "reduction_method": "steady",
}  # fmt: skip


def test_a_method_is_written_approved_by_another_and_followed_by_the_next(client, keeper) -> None:
    made = client.post("/methods/new/", METHOD)
    version = MethodVersion.objects.get()
    assert made.url == f"/methods/{version.method.code}/"
    assert version.coolant_temperature == pytest.approx(298.15)
    assert version.max_slope == pytest.approx(0.05 / 60)
    assert client.post(f"/methods/{version.code}/edit/", METHOD | {"force": "240"}).status_code == 302
    assert client.post(f"/methods/{version.code}/approve/", {}).status_code == 403
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/methods/{version.code}/approve/", {}).status_code == 302
    client.force_login(keeper)
    following = client.post(f"/methods/{version.method.code}/next/", METHOD | {"soak": "60", "reason": "longer soak"})
    assert following.status_code == 302
    page = client.get(f"/methods/{version.code}/").content.decode()
    assert "in force" in page
    assert f"{version.method.code}/2" in page
    assert client.post(f"/methods/{version.code}/edit/", METHOD).status_code == 409


ACTS = {
    "rigs/{rig}/take-out/": "rig.out_of_service",
    "rigs/{rig}/return/": "rig.return_to_service",
    "rigs/{rig}/note/": "rig.note",
    "rigs/{rig}/add-sensor/": "rig.add_sensor",
    "rigs/{rig}/change/": "rig.change",
    "rigs/{rig}/configure/": "rig.configure",
    "methods/{version}/approve/": "method.release",
    "methods/{version}/retire/": "method.retire",
    "methods/{version}/next/": "method.edit",
    "methods/{version}/edit/": "method.edit",
}


@pytest.mark.parametrize("role", [*Role, None])
def test_each_role_reaches_just_the_acts_of_its_rights(client, role) -> None:
    rig, version = make_rig(), make_method_version()
    client.force_login(person(role, username="other"))
    for address, right in ACTS.items():
        allowed = role is not None and RIGHTS[right][role] is not Rule.NO
        answer = client.post("/" + address.format(rig=rig.code, version=version.code), {})
        assert (answer.status_code != 403) is allowed, address
    sensor = rig.sensors.first()
    calibrated = client.post(f"/rigs/{rig.code}/sensors/{sensor.serial}/", {}).status_code
    assert calibrated == (422 if role is Role.RIG_KEEPER else 403)


def test_every_page_shows_for_an_operator(client) -> None:
    application = make_application()
    client.force_login(somebody(Role.OPERATOR))
    block = application.hot_block
    for address in (
        "/rigs/", f"/rigs/{application.rig.code}/", "/blocks/", f"/blocks/{block.code}/", "/methods/",
        f"/methods/{application.method_version.code}/", f"/rigs/{application.rig.code}/label/",
        f"/blocks/{block.code}/label.pdf", "/applications/", "/applications/new/", "/applications/plan/",
    ):  # fmt: skip
        assert client.get(address).status_code == 200, address
    assert application.code in client.get(f"/blocks/{block.code}/").content.decode()
    assert application.code in client.get(f"/methods/{application.method_version.code}/").content.decode()


def test_the_list_asks_the_database_no_more_often_when_it_grows(client, django_assert_max_num_queries) -> None:
    client.force_login(somebody(Role.OPERATOR))
    for number in range(4):
        make_rig(f"bench-{number}")
    with django_assert_max_num_queries(16):
        page = client.get("/rigs/").content.decode()
    assert page.count(">yes<") == 4
