"""The schedule calls each duty when it is due, and one that fails stops no other."""

import threading

import pytest
from django.core.management import call_command

from lims.core.management.commands import schedule

pytestmark = pytest.mark.django_db

calls: list[str] = []


def sweep() -> None:
    calls.append("sweep")


def broken() -> None:
    calls.append("broken")
    raise ZeroDivisionError("on purpose")


@pytest.fixture(autouse=True)
def _no_calls():
    calls.clear()


def test_each_duty_is_called_once(settings):
    settings.SCHEDULE = {f"{__name__}.sweep": 30}
    call_command("schedule", "--once")
    assert calls == ["sweep"]


def test_a_failing_duty_stops_no_other(settings):
    settings.SCHEDULE = {f"{__name__}.broken": 30, f"{__name__}.sweep": 30}
    call_command("schedule", "--once")
    assert calls == ["broken", "sweep"]


def test_a_duty_that_does_not_exist_is_named_at_the_start(settings):
    settings.SCHEDULE = {"lims.core.no_such.duty": 30}
    with pytest.raises(ImportError, match="no_such"):
        call_command("schedule", "--once")


def test_duties_come_again_and_the_file_is_touched(tmp_path):
    stop = threading.Event()
    duty = schedule.Duty("sweep", lambda: calls.append("x") or (stop.set() if len(calls) == 3 else None), every=0)
    schedule.run_until(stop, duties=[duty], alive_file=tmp_path / "alive")
    assert calls == ["x", "x", "x"]
    assert (tmp_path / "alive").exists()
