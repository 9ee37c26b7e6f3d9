"""Control charts: limits by signature, breaches kept and answered, a rig held meanwhile."""

from __future__ import annotations

import numpy as np
import pytest
from django.db import DatabaseError, connection, transaction
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.materials.models import Lot
from lims.quality import control, services
from lims.quality.models import ControlChart, ControlSignal
from tests.factories import PASSWORD, add_d50, make_lot, make_material, make_specification, person, somebody

pytestmark = pytest.mark.django_db
CALM = 5.0 + 0.1 * np.random.default_rng(2).standard_normal(26)


def chart_of_d50(values=CALM, **facts) -> tuple[ControlChart, Lot]:
    lot = make_lot(make_material(**facts), mass="50")
    for value in values:
        add_d50(lot, float(value))
    chart = services.create_chart(actor=somebody(Role.QUALITY), subject=("material", lot.material.code), quantity="d50")
    return chart, lot


def fix(chart: ControlChart, *, last: int = 25, actor=None, reason: str = "all was well") -> ControlChart:
    actor = actor or somebody(Role.QUALITY)
    return services.fix_phase(chart, actor=actor, password=PASSWORD, first=1, last=last, reason=reason)


def test_the_limits_are_those_of_the_first_phase_and_later_points_do_not_move_them() -> None:
    chart, lot = chart_of_d50()
    fix(chart)
    before = control.phase_of(chart)
    # mean moving range over d2 = 1.12838 (ASTM E2587), by hand
    sigma = np.abs(np.diff(CALM[:25])).mean() / 1.12838
    assert before.level == pytest.approx(CALM[:25].mean() * 1e-6, rel=1e-9)
    assert before.sigma == pytest.approx(sigma * 1e-6, rel=1e-5)
    for value in (9.0, 9.5):
        add_d50(lot, value)
    assert control.phase_of(chart) == before


def test_a_breach_is_kept_once_and_stands_until_it_is_answered() -> None:
    chart, lot = chart_of_d50()
    fix(chart)
    services.record_lot_result(lot, actor=somebody(Role.OPERATOR), quantity="d50", value=7.0, unit="um", u=0.1)
    services.watch(chart, actor=None)
    (signal,) = ControlSignal.objects.all()
    assert signal.rule == "one point beyond three sigma"
    assert list(control.open_signals()) == [signal]
    with pytest.raises(Invalid):
        services.answer_signal(signal, actor=somebody(Role.QUALITY), answer=" ")
    services.answer_signal(signal, actor=somebody(Role.QUALITY), answer="another mill; told the supplier")
    with pytest.raises(Conflict):
        services.answer_signal(signal, actor=somebody(Role.QUALITY), answer="again")
    assert not control.open_signals()


def test_a_phase_needs_points_a_reason_and_quality_and_cannot_be_changed_by_sql() -> None:
    chart, _ = chart_of_d50(CALM[:8])
    with pytest.raises(Invalid, match="too few"):
        fix(chart)
    chart, _ = chart_of_d50(name="other filler")
    with pytest.raises(Invalid, match="why"):
        fix(chart, reason=" ")
    with pytest.raises(NotAllowed):
        fix(chart, actor=person(Role.RIG_KEEPER, username="keeper-2"))
    fix(chart)
    with pytest.raises(DatabaseError, match="Cannot"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE quality_controlphase SET sigma = 1")


def test_capability_is_given_with_its_interval_or_refused_with_the_reason() -> None:
    chart, lot = chart_of_d50(CALM[:12])
    make_specification(lot.material)
    assert "12 values are too few" in control.capability_of(chart).why_not
    for value in CALM[12:]:
        add_d50(lot, float(value))
    found = control.capability_of(chart).found
    assert found is not None, control.capability_of(chart).why_not
    assert found.cpk.low < found.cpk.at_least < found.cpk.value < found.cpk.high


def test_a_rigs_chart_names_its_reference_sample_and_method() -> None:
    with pytest.raises(Invalid) as refused:
        services.create_chart(actor=somebody(Role.RIG_KEEPER), subject=("rig", "RIG-01"), quantity="temperature_rise")
    assert set(refused.value.fields) == {"sample", "method"}
    with pytest.raises(Invalid, match="is expected here"):
        services.subject_of("LOT-0001")


def test_a_chart_is_made_fixed_looked_at_and_answered_by_page_and_api(client) -> None:
    chart, lot = chart_of_d50()
    client.force_login(somebody(Role.QUALITY))
    given = {"subject": lot.material.code, "quantity": "d90", "rules": "eight tests"}
    assert client.post("/charts/new/", given).status_code == 302
    sent = {"first": "1", "last": "25", "reason": "all was well", "password": PASSWORD}
    assert client.get(f"/charts/{chart.code}/plot/").status_code == 404
    assert client.post(f"/charts/{chart.code}/fix-phase/", sent).status_code == 302
    services.record_lot_result(lot, actor=somebody(Role.OPERATOR), quantity="d50", value=7.0, unit="um", u=0.1)
    assert len(client.get(f"/charts/{chart.code}/plot/").json()["data"]) >= 10
    shown = client.get(f"/charts/{chart.code}/").content.decode()
    assert "one point beyond three sigma" in shown
    api = APIClient()
    api.force_authenticate(somebody(Role.RIG_KEEPER))
    found = api.get(f"/api/charts/{chart.code}/").data
    assert len(found["points"]) == 27
    number = found["signals"][0]["number"]
    answered = api.post(f"/api/charts/{chart.code}/answer/", {"number": number, "answer": "a new mill"}, format="json")
    assert answered.data["signals"][0]["answer"] == "a new mill"
    assert api.post(f"/api/charts/{chart.code}/fix-phase/", sent, format="json").status_code == 403
