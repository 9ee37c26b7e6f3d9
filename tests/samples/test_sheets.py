"""Sheets are registered at once, with nominal and measured thickness, as a series; a hold time follows to a figure."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.core.errors import Invalid
from lims.samples.models import Sample
from lims.samples.selectors import series_of_sheets
from lims.samples.services import Sheet, register_sheets, split_sample
from tests.comparisons.results import measure
from tests.factories import make_application, make_sample, somebody

pytestmark = pytest.mark.django_db
DESCRIBED: dict[str, Any] = {"container": "tray", "condition": "flat", "location": "cabinet 2", "name": "pad"}


def sheets(*rows: Sheet) -> Sample:
    return register_sheets(
        rows, actor=somebody(Role.OPERATOR), taken_at=timezone.now() - timedelta(hours=1), **DESCRIBED
    )


def test_several_thicknesses_become_one_series():
    grams = Decimal("0.004")
    first = sheets(Sheet(grams, 1e-3, 1.02e-3, 4e-6), Sheet(grams, 0.5e-3, 0.49e-3, 4e-6), Sheet(2 * grams, 2e-3))
    found = list(series_of_sheets(somebody(Role.OPERATOR), first.series))
    assert [s.nominal_thickness for s in found] == [0.5e-3, 1e-3, 2e-3]
    assert [s.thickness for s in found] == [0.49e-3, 1.02e-3, None]
    assert {s.series for s in found} == {first.code}
    assert {s.state for s in found} == {"held"}


def test_a_wrong_row_is_named_and_none_is_registered():
    with pytest.raises(Invalid, match="Row 2: a measured thickness needs its standard uncertainty"):
        sheets(Sheet(Decimal("0.004"), 1e-3), Sheet(Decimal("0.004"), 1e-3, 1e-3))
    assert not Sample.objects.exists()


def test_sheets_are_typed_on_one_page(client):
    client.force_login(somebody(Role.OPERATOR))
    sent = {**DESCRIBED, "source": "", "taken_at": "2026-01-05T10:00", "sheets-TOTAL_FORMS": "3"}
    sent |= {"sheets-INITIAL_FORMS": "0", "sheets-0-amount": "4", "sheets-0-nominal": "1", "sheets-0-measured": "1.02"}
    sent |= {"sheets-0-u": "0.004", "sheets-1-amount": "2", "sheets-1-nominal": "0.5"}
    assert client.post("/samples/sheets/new/", sent | {"sheets-1-nominal": "thin"}).status_code == 422
    page = client.post("/samples/sheets/new/", sent, follow=True).content.decode()
    assert "Sheets cut together" in page
    assert Sample.objects.get(nominal_thickness=1e-3).thickness == pytest.approx(1.02e-3)


def test_a_sample_held_eight_hours_too_long_says_so_from_the_bench_to_the_figure(client):
    sample = make_sample(taken_at=timezone.now() - timedelta(hours=80), hold_limit_hours=72)
    with pytest.raises(Invalid, match="hold time exceeded by 8 h"):
        make_application(sample=sample)
    application = make_application(sample=sample, departure="the rig was down")
    assert application.hold_hours == pytest.approx(80, abs=0.1)
    assert application.hold_over_hours == pytest.approx(8, abs=0.1)
    run = measure(application, 10.0)
    [flag] = [f for f in run.current.flags if f["code"] == "hold_time_exceeded"]
    assert flag["message"] == "Hold time exceeded by 8 h. It was applied all the same: the rig was down"
    client.force_login(somebody(Role.OPERATOR))
    assert "Hold time exceeded by 8 h" in client.get(f"/runs/{run.code}/").content.decode()
    assert "Hold time exceeded by 8 h" in client.get(f"/api/reductions/{run.current.code}/").content.decode()


def test_a_time_outside_the_storage_condition_goes_with_the_portion_to_the_figure(client):
    operator = somebody(Role.OPERATOR)
    sample = make_sample()
    client.force_login(operator)
    sent = {"temperature": "41", "duration": "3", "reason": "the refrigerator stood open"}
    assert client.post(f"/samples/{sample.code}/excursion/", sent | {"duration": "0"}).status_code == 422
    assert client.post(f"/samples/{sample.code}/excursion/", sent).status_code == 302
    assert "Kept at 41 °C for 3 h" in client.get(f"/samples/{sample.code}/").content.decode()
    portion = split_sample(sample, actor=operator, amount=Decimal("0.002"), container="jar")
    with pytest.raises(Invalid, match="kept at 41 °C for 3 h"):
        make_application(sample=portion)
    run = measure(make_application(sample=portion, departure="a trial of warm storage"), 10.0)
    [flag] = [f for f in run.current.flags if f["code"] == "storage_excursion"]
    assert flag["details"] == {"temperature": pytest.approx(314.15), "duration": pytest.approx(10800)}
    assert sample.code in flag["message"]
    assert "the refrigerator stood open. It was applied all the same: a trial of warm storage" in flag["message"]
