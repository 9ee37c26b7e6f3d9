"""Checks between calibrations gate a rig; authorizations gate who works on it; an error found tells what it did."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.cases.models import Nonconformance
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.rigs import services
from lims.rigs.authorizations import coverage, refuse_unauthorized
from lims.rigs.checks import check_states, names_of
from lims.rigs.models import Rig
from lims.runs.selectors.applications import refuse_rig
from lims.runs.selectors.effects import effects_of, runs_affected
from tests.factories import make_application, make_method_version, make_rig, somebody
from tests.runs.recordings import make_files
from tests.runs.test_perform_reduction import reduce_all, send, sent_with_zero

pytestmark = pytest.mark.django_db


def asked(rig: Rig, kind: str = "gap_zero", *, limit: float = 1e-6, days: float = 40) -> None:
    services.schedule_check(
        rig,
        actor=somebody(Role.RIG_KEEPER),
        kind=kind,
        every=timedelta(days=1),
        limit=limit,
        reason="daily",
        valid_from=timezone.now() - timedelta(days=days),
    )


def checked(rig: Rig, value: float = 2e-7, *, hours: float = 0.0) -> Any:
    return services.record_check(
        rig,
        actor=somebody(Role.OPERATOR),
        kind="gap_zero",
        values={"gap_zero": value},
        u=1e-7,
        done_at=timezone.now() - timedelta(hours=hours),
    )


def test_a_missing_check_leaves_a_run_unqualified_and_one_in_time_does_not(file_store) -> None:
    application, files = make_application(), make_files()
    asked(application.rig)
    send(files.zero, "zero.csv", kind="zero", rig=application.rig)
    run = send(files.run, application=application)
    reduce_all()
    run.refresh_from_db()
    assert run.state == "unqualified"
    assert [problem["code"] for problem in run.problems if problem["code"].startswith("check")] == ["check-missing"]
    checked(application.rig, hours=5)
    other = send(make_files(seed=2).run, application=make_application(rig=application.rig))
    reduce_all()
    other.refresh_from_db()
    assert other.state == "accepted", other.problems


def test_a_check_outside_its_limit_holds_the_rig_and_opens_one_case() -> None:
    rig = make_rig()
    asked(rig)
    assert check_states(rig)[0].code == "check-missing"
    assert checked(rig).passed
    assert check_states(rig)[0].problem == ""
    assert not checked(rig, -1.5e-6).passed
    assert Nonconformance.objects.get().subject_code == rig.code
    with pytest.raises(Conflict) as caught:
        refuse_rig(rig)
    assert caught.value.code == "on-hold"
    assert check_states(rig)[0].code == "check-failed"


def test_an_isothermal_zero_asks_for_every_thermometer_and_nothing_unasked_is_kept() -> None:
    rig = make_rig()
    with pytest.raises(Conflict) as caught:
        checked(rig)
    assert caught.value.code == "check-not-scheduled"
    asked(rig, "isothermal", limit=0.05)
    names = names_of(rig, "isothermal")
    assert names == [f"{column}-{rig.code}" for column in ("hot", "cold", "coolant")]
    with pytest.raises(Invalid, match=names[2]):
        services.record_check(
            rig, actor=somebody(Role.OPERATOR), kind="isothermal", values=dict.fromkeys(names[:2], 0.01), u=0.01
        )


def test_checks_are_recorded_and_charted_by_page_and_by_interface(client) -> None:
    rig, keeper = make_rig(), somebody(Role.RIG_KEEPER)
    client.force_login(keeper)
    address = f"/rigs/{rig.code}/checks/gap_zero/"
    assert client.post(address, {"every": "24", "limit": "1", "reason": "daily"}).status_code == 302
    assert client.post(address, {"value_0": "0,4", "u": "0.1", "remarks": "closed blocks"}).status_code == 302
    page = client.get(address).content.decode()
    for words in ("check-drawing", "closed blocks", "in order"):
        assert words in page
    assert rig.checks.get().values["gap_zero"] == pytest.approx(4e-7)
    assert "gap sensor" in client.get(f"/rigs/{rig.code}/").content.decode()
    api = APIClient()
    api.force_authenticate(keeper)
    made = api.post(
        f"/api/rigs/{rig.code}/checks/", {"kind": "gap_zero", "values": {"gap_zero": 3e-6}, "u": 1e-7}, "json"
    )
    assert (made.status_code, made.json()["passed"]) == (201, False)
    assert api.get(f"/api/rigs/{rig.code}/check-schedules/").json()[0]["problem_code"] == "check-failed"


def test_an_expired_authorization_stops_a_person_and_the_table_shows_who_is_covered(client) -> None:
    version, rig, operator = make_method_version(authorization="method"), make_rig(), somebody(Role.OPERATOR)
    quality = somebody(Role.QUALITY)
    with pytest.raises(NotAllowed) as caught:
        refuse_unauthorized(operator, version=version, rig=rig)
    assert caught.value.code == "not-authorized-for-method"
    client.force_login(quality)
    grant = {"person": operator.username, "subject": version.method.code, "evidence": "three supervised runs"}
    day = timezone.localdate()
    assert client.post("/authorizations/", grant | {"expires_on": day.isoformat()}).status_code == 302
    refuse_unauthorized(operator, version=version, rig=rig)
    page = client.get("/authorizations/").content.decode()
    assert operator.printed_name in page
    assert "three supervised runs" in page
    standing = operator.authorizations.get()
    services.withdraw_authorization(standing, actor=quality, reason="retraining")
    services.grant_authorization(
        actor=quality, person=operator, subject=version.method, evidence="first year",
        valid_from=day - timedelta(days=9), expires_on=day - timedelta(days=1),
    )  # fmt: skip
    with pytest.raises(NotAllowed, match="had an authorization"):
        refuse_unauthorized(operator, version=version, rig=rig)
    subjects, rows = coverage()
    assert (subjects, rows[0].person) == ([version.method.code], operator)
    with pytest.raises(NotAllowed):
        services.grant_authorization(
            actor=quality, person=quality, subject=version, evidence="x", expires_on=day + timedelta(days=9)
        )


def test_an_error_found_lists_exactly_the_runs_since_the_last_good_point_with_its_size(file_store, client) -> None:
    run, _ = sent_with_zero()
    sensor = run.rig.sensors.get(quantity="hot_temperature")
    calibration = services.calibrate(
        sensor, actor=somebody(Role.RIG_KEEPER), valid_from=timezone.now(), unit="degC", u=0.03, reference="bath",
        due_on=timezone.localdate() + timedelta(days=300), error_found=0.8, error_allowed=0.1,
    )  # fmt: skip
    quality = somebody(Role.QUALITY)
    assert [one.code for one in runs_affected(quality, calibration)] == [run.code]
    effects = {effect.figure: effect for effect in effects_of(quality, calibration)}
    # 0.8 K taken from the hot block's reading is 0.8 K less temperature rise
    assert effects["temperature_rise"].change == pytest.approx(-0.8, abs=2e-3)
    assert effects["temperature_rise"].beyond
    assert effects["thermal_impedance"].change < 0
    client.force_login(quality)
    page = client.get(f"/rigs/{run.rig.code}/calibrations/{calibration.pk}/effects/").content.decode()
    assert run.code in page
    before = services.calibrate(
        sensor, actor=somebody(Role.RIG_KEEPER), valid_from=timezone.now() - timedelta(days=3), unit="degC", u=0.03,
        reference="bath", due_on=timezone.localdate() + timedelta(days=300), error_found=0.8, error_allowed=0.1,
    )  # fmt: skip
    assert runs_affected(quality, before) == []
