"""Reducing a run: from a stored file to figures, flags and the run's worth."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from datetime import timedelta

import pytest
from django.core.files.storage import default_storage
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.core.errors import Conflict
from lims.files.models import StoredFile
from lims.runs.models import Reduction, Run
from lims.runs.reducing import (
    MOST_ATTEMPTS,
    Claim,
    ClaimLost,
    claim_reduction,
    fail_reduction,
    perform_reduction,
)
from lims.runs.selectors.reductions import stuck_for
from lims.runs.services.runs import choose_window, choose_zeros, request_reduction, upload_run
from tests.factories import make_application, make_rig, somebody
from tests.runs.recordings import make_files

pytestmark = pytest.mark.django_db


def send(content: bytes, name: str = "run.csv", **about) -> Run:
    return upload_run(actor=somebody(Role.OPERATOR), content=io.BytesIO(content), name=name, **about)


def reduce_all() -> None:
    """What the worker does with everything that waits."""
    while waiting := list(Reduction.objects.filter(state="queued").order_by("id").values_list("pk", flat=True)):
        for pk in waiting:
            perform_reduction(pk)


def sent_with_zero(**plan) -> tuple[Run, Run]:
    application, files = make_application(), make_files(**plan)
    zero = send(files.zero, "zero.csv", kind="zero", rig=application.rig)
    run = send(files.run, application=application)
    reduce_all()
    run.refresh_from_db()
    zero.refresh_from_db()
    return run, zero


def test_a_good_run_gets_its_figures_and_is_accepted(file_store) -> None:
    run, zero = sent_with_zero()
    reduction = run.current
    assert reduction.state == "reduced", reduction.error
    assert run.state == "accepted", run.problems
    assert run.zero == zero
    figures = reduction.figures
    assert {"temperature_rise", "thermal_impedance", "gap", "apparent_conductivity"} <= set(figures)
    assert figures["temperature_rise"]["u"] > 0
    assert not [flag for flag in reduction.flags if flag["severity"] == "blocks"]


def test_the_result_alone_repeats_the_figures_to_the_last_digits(file_store, tmp_path) -> None:
    """RED-01: the command line repeats a reduction from its stored JSON and the files it names by their digests."""
    run, _ = sent_with_zero(zero_after=False)
    (tmp_path / "result.json").write_text(json.dumps(run.current.result))
    files = {}
    for role, digest in run.current.result["files"].items():
        files[role] = tmp_path / f"{role}.csv"
        files[role].write_bytes(_stored(digest))
    command = [sys.executable, "-m", "analysis", "reduce", str(files["run"]), "--setup", str(tmp_path / "result.json")]
    done = subprocess.run(
        [*command, "--zero", str(files["zero"]), "--json"], capture_output=True, check=True, timeout=120, text=True
    )
    again = json.loads(done.stdout)["figures"]
    for key, figure in run.current.result["figures"].items():
        for part in ("value", "u", "U95"):
            assert again[key][part] == pytest.approx(figure[part], rel=1e-12), (key, part)


def test_a_window_chosen_by_hand_is_repeated_too(file_store, tmp_path) -> None:
    run, _ = sent_with_zero()
    choose_window(run, actor=somebody(Role.OPERATOR), start=900.0, end=1200.0, reason="tap at 1250 s")
    reduce_all()
    run.refresh_from_db()
    result = run.current.result
    assert result["steady"]["chosen_by_hand"]
    assert result["setup"]["steady"]["window"] == ["900.0 s", "1200.0 s"]


def _stored(digest: str) -> bytes:
    with default_storage.open(StoredFile.objects.get(sha256=digest).path, "rb") as stored:
        return stored.read()


def test_the_result_names_all_it_was_made_from(file_store) -> None:
    run, zero = sent_with_zero()
    reduction = run.current
    record = reduction.result["record"]
    assert record["reduction"] == reduction.code
    assert record["requested_by"] == somebody(Role.OPERATOR).username
    assert len(record["calibrations"]) == 6
    assert record["configuration"] == run.configuration_id
    assert {"numpy", "polars", "python"} <= set(record["environment"])
    assert record["started_at"] < record["finished_at"]
    assert reduction.inputs == {"run": run.file.sha256, "zero": zero.file.sha256}
    assert reduction.result["method"] == {"name": "steady", "version": reduction.method_version}
    assert reduction.package_version


@pytest.mark.parametrize("write", ["orm", "sql"])
def test_a_finished_reduction_never_changes(write: str, file_store) -> None:
    run, _ = sent_with_zero()
    with pytest.raises(DatabaseError), transaction.atomic():
        CHANGES[write](run.current_id)


def by_sql(pk: int) -> None:
    with connection.cursor() as cursor:
        cursor.execute("UPDATE runs_reduction SET figures = '{}' WHERE id = %s", [pk])


CHANGES = {"orm": lambda pk: Reduction.objects.filter(pk=pk).update(figures={}), "sql": by_sql}


def test_reducing_again_makes_a_new_reduction_and_the_run_points_at_it(file_store) -> None:
    run, _ = sent_with_zero()
    first = run.current
    request_reduction(run, actor=somebody(Role.OPERATOR), reason="calibration entered late")
    run.refresh_from_db()
    assert run.current == first, "the old one stands until the new one is done"
    reduce_all()
    run.refresh_from_db()
    assert run.current != first
    assert run.current.figures == first.figures
    assert run.current.reason == "calibration entered late"
    assert run.reductions.count() == 2


def test_a_second_reduction_is_refused_while_one_is_at_work(file_store) -> None:
    run, _ = sent_with_zero()
    request_reduction(run, actor=somebody(Role.OPERATOR), reason="once")
    with pytest.raises(Conflict) as caught:
        request_reduction(run, actor=somebody(Role.OPERATOR), reason="twice")
    assert caught.value.code == "reduction-at-work"


def test_a_run_without_a_zero_is_unqualified_and_says_why(file_store) -> None:
    run = send(make_files().run, application=make_application())
    reduce_all()
    run.refresh_from_db()
    assert run.state == "unqualified"
    assert run.problems[0]["code"] == "zero-missing"
    assert run.application.state == "measured"


def test_a_zero_that_comes_later_is_taken_and_the_run_is_accepted(file_store) -> None:
    files, application = make_files(), make_application()
    run = send(files.run, application=application)
    reduce_all()
    zero = send(files.zero, "zero.csv", kind="zero", rig=application.rig)
    reduce_all()
    run.refresh_from_db()
    assert (run.zero, run.state) == (zero, "accepted")
    assert run.reductions.count() == 2


def test_the_youngest_zero_before_and_the_next_one_after_are_taken(file_store) -> None:
    application = make_application()
    begin = (timezone.now() - timedelta(hours=5)).replace(microsecond=0)
    files = make_files(begin=begin, zero_after=True)
    older = make_files(begin=begin - timedelta(hours=3), seed=7)
    old, zero, after = (
        send(content, name, kind="zero", rig=application.rig)
        for content, name in ((older.zero, "old.csv"), (files.zero, "zero.csv"), (files.zero_after, "after.csv"))
    )
    run = send(files.run, application=application)
    reduce_all()
    run.refresh_from_db()
    assert (run.zero, run.zero_after) == (zero, after)
    assert old.state == "checking"  # as it was read before the worker took it up
    assert set(run.current.inputs) == {"run", "zero", "zero_after"}


def test_zeros_chosen_by_hand_stay(file_store) -> None:
    run, zero = sent_with_zero()
    choose_zeros(run, actor=somebody(Role.OPERATOR), zero=None, reason="the zero was taken on dirty blocks")
    reduce_all()
    run.refresh_from_db()
    assert (run.zero, run.zeros_by_hand) == (None, True)
    assert "gap" not in run.current.figures or any(f["code"] == "zero_missing" for f in run.current.flags)
    assert zero.code


def test_a_sensor_past_its_calibration_on_the_day_of_the_run_makes_it_unqualified(file_store) -> None:
    rig = make_rig(due_on=timezone.localdate())
    application = make_application(rig=rig)
    files = make_files(begin=(timezone.now() + timedelta(days=2)).replace(microsecond=0))
    send(files.zero, "zero.csv", kind="zero", rig=rig)
    run = send(files.run, application=application)
    reduce_all()
    run.refresh_from_db()
    assert run.state == "unqualified"
    assert "calibration-overdue" in {problem["code"] for problem in run.problems}


def test_a_text_in_a_number_column_refuses_the_run_with_line_and_column(file_store) -> None:
    lines = make_files().run.decode().splitlines()
    cells = lines[11].split(",")
    lines[11] = ",".join([*cells[:3], "off", *cells[4:]])
    run = send("\n".join(lines).encode(), "night.csv", application=make_application())
    reduce_all()
    run.refresh_from_db()
    error = run.reductions.get().error
    assert run.state == "refused"
    assert (error["file"], error["line"], error["column"]) == ("night.csv", 12, "power")
    assert run.file is not None
    assert run.problems == [error]


def test_local_stamps_of_the_hour_that_occurs_twice_are_refused_until_a_zone_is_given(file_store) -> None:
    """RUN-06: the night the clock goes back, Europe/Vienna, 2026-10-25 03:00 to 02:00 (IANA time zone database)."""
    rows = [f"2026-10-25 02:{minute:02d}:00,25.0,25.0,0,0,6.3,25.0" for minute in range(10, 40)]
    content = "\n".join(["time,hot [degC],cold [degC],power [W],force [N],gap [um],coolant [degC]", *rows]).encode()
    rig = make_rig(start=timezone.now() - timedelta(days=90))
    run = send(content, application=make_application(rig=rig))
    reduce_all()
    run.refresh_from_db()
    reduction = run.reductions.get()
    words = str(reduction.error.get("message", "")) + " ".join(flag["message"] for flag in reduction.flags)
    assert "twice" in words, (reduction.state, reduction.error, reduction.flags)


def test_two_runs_of_one_rig_that_overlap_are_told_with_both_times(file_store) -> None:
    run, _ = sent_with_zero()
    later = make_files(begin=run.started_at + timedelta(seconds=run.seconds - 300), seed=5)
    other = send(later.run, application=make_application(rig=run.rig))
    reduce_all()
    other.refresh_from_db()
    remark = next(problem for problem in other.problems if problem["code"] == "runs-overlap")
    assert run.code in remark["message"]


def test_the_true_figures_lie_within_the_stated_uncertainty(file_store) -> None:
    """Against the simulator's known truth: the figures through upload, storage and worker are those of the science."""
    files = make_files(seed=11)
    application = make_application()
    send(files.zero, "zero.csv", kind="zero", rig=application.rig)
    run = send(files.run, application=application)
    reduce_all()
    run.refresh_from_db()
    steady = run.current.result["steady"]
    truth = files.truth.truth(steady["start_s"], steady["end_s"])
    for key in ("temperature_rise", "thermal_impedance", "gap", "apparent_conductivity"):
        figure = run.current.figures[key]
        assert abs(figure["value"] - truth[key]) < 3.5 * figure["u"], key


# Claims


def test_only_one_worker_gets_a_reduction(file_store) -> None:
    run = send(make_files().run, application=make_application())
    pk = run.reductions.get().pk
    assert claim_reduction(pk) == Claim(pk, 1)
    assert claim_reduction(pk) is None


def test_a_lease_that_ran_out_is_taken_over_and_the_first_worker_cannot_finish(file_store) -> None:
    application, files = make_application(), make_files()
    run = send(files.run, application=application)
    pk = run.reductions.get().pk
    first = claim_reduction(pk)
    Reduction.objects.filter(pk=pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    second = claim_reduction(pk)
    assert second == Claim(pk, 2)
    with pytest.raises(ClaimLost):
        fail_reduction(actor=None, claim=first, error={"code": "x", "message": "x"}, refuses=True)
    fail_reduction(actor=None, claim=second, error={"code": "y", "message": "y"}, refuses=False)
    assert Reduction.objects.get(pk=pk).error["code"] == "y"


def test_a_run_that_kills_its_worker_again_and_again_is_given_up(file_store) -> None:
    run = send(make_files().run, application=make_application())
    pk = run.reductions.get().pk
    for _ in range(MOST_ATTEMPTS):
        assert claim_reduction(pk) is not None
        Reduction.objects.filter(pk=pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    assert claim_reduction(pk) is None
    reduction = Reduction.objects.get(pk=pk)
    assert (reduction.state, reduction.error["code"]) == ("failed", "worker-died")


def test_what_waits_too_long_is_shown(file_store) -> None:
    run = send(make_files().run, application=make_application())
    assert not stuck_for(somebody(Role.OPERATOR))
    Reduction.objects.update(requested_at=timezone.now() - timedelta(hours=1))
    assert [r.run for r in stuck_for(somebody(Role.OPERATOR))] == [run]


def test_a_run_whose_setup_is_missing_waits_for_the_rig_keeper(file_store) -> None:
    rig = make_rig(start=timezone.now() - timedelta(hours=1))
    run = send(make_files(begin=timezone.now() - timedelta(hours=3)).run, application=make_application(rig=rig))
    reduce_all()
    run.refresh_from_db()
    assert run.state == "checking"
    assert run.problems[0]["code"] == "configuration-missing"
