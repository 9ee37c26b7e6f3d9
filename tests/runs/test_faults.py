"""What fails in practice: workers killed, the queue down, the database restarted, messages sent twice."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.db import OperationalError, connection
from django.utils import timezone

from lims.accounts.roles import Role
from lims.local.processes import kill_session, start_process, stop_process, wait_until
from lims.runs.models import Reduction, Run
from lims.runs.selectors.reductions import to_send
from lims.runs.services.runs import upload_run
from lims.runs.tasks import reduce_run, sweep_reductions
from tests.conftest import ROOT, SERVERS, child_environment
from tests.factories import make_application, somebody
from tests.runs.recordings import make_files

pytestmark = [pytest.mark.processes, pytest.mark.usefixtures("committed_db", "file_store")]
LEASE = 3
SLOW = {"interval": 0.02}  # a run of 96,000 rows: long enough at work to be caught at it


@pytest.fixture
def start_worker(queue, tmp_path) -> Iterator[Callable[[], Any]]:
    """Start a real worker whose lease is short; every one that still runs is stopped at the end."""
    started = []

    def start() -> Any:
        log = tmp_path / f"worker-{len(started)}.log"
        command = [sys.executable, "-m", "celery", "-A", "lims", "worker", "--concurrency=2", "--loglevel=INFO"]
        command += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
        environment = child_environment(REDUCTION_LEASE_SECONDS=str(LEASE))
        with log.open("wb") as output:
            process = start_process(command, environment=environment, output=output, options={"cwd": ROOT})
        started.append(process)
        assert wait_until(lambda: b" ready." in log.read_bytes(), seconds=60), log.read_text()
        return process

    yield start
    for process in started:
        stop_process(process, gently=signal.SIGQUIT, seconds=10)


def send(**plan: Any) -> Run:
    files = make_files(**plan)
    return upload_run(
        actor=somebody(Role.OPERATOR), application=make_application(), content=io.BytesIO(files.run), name="run.csv"
    )


def state_of(run: Run) -> str:
    return run.reductions.values_list("state", flat=True).get()


def done(run: Run, *, seconds: float = 60) -> bool:
    return wait_until(lambda: state_of(run) == "reduced", seconds=seconds)


def swept_until_done(run: Run, *, seconds: float = 60) -> bool:
    """Wait as the schedule does it: sweep every now and then."""

    def sweep() -> bool:
        sweep_reductions()
        return state_of(run) == "reduced"

    return wait_until(sweep, seconds=seconds, step=1.0)


def test_an_uploaded_run_is_reduced_by_a_forked_worker_whose_parent_imported_everything(start_worker) -> None:
    """The worker's master imports the tasks and with them the analysis, then forks its children: none may hang."""
    start_worker()
    run = send()
    assert done(run)
    run.refresh_from_db()
    assert run.current.figures["temperature_rise"]["value"] > 0


def test_a_worker_killed_in_the_middle_loses_nothing_and_gives_one_result(start_worker) -> None:
    worker = start_worker()
    run = send(**SLOW)
    assert wait_until(lambda: state_of(run) == "reducing", seconds=60, step=0.005)
    kill_session(worker)
    worker.wait(timeout=10)
    assert state_of(run) == "reducing", "the reduction was over before the worker was killed"
    begun = timezone.now()
    start_worker()
    assert swept_until_done(run)
    reduction = run.reductions.get()
    assert reduction.attempt == 2
    assert reduction.finished_at - begun < timedelta(seconds=60)
    run.refresh_from_db()
    assert run.current == reduction


def test_a_worker_killed_twice_still_gives_one_result(start_worker) -> None:
    run = send(**SLOW)
    for attempt in (1, 2):
        worker = start_worker()
        sweep_reductions()
        assert wait_until(lambda n=attempt: taken(run, n), seconds=60, step=0.005)
        kill_session(worker)
        worker.wait(timeout=10)
        assert wait_until(lambda: bool(to_send()), seconds=LEASE + 5)
    start_worker()
    assert swept_until_done(run)
    assert run.reductions.get().attempt == 3


def taken(run: Run, attempt: int) -> bool:
    return run.reductions.filter(state="reducing", attempt=attempt).exists()


def test_with_the_queue_down_the_upload_is_kept_and_reduced_once_it_is_back(start_worker) -> None:
    server = SERVERS.queue()
    server.stop()
    try:
        run = send()
        assert run.state == "checking"
        assert Reduction.objects.get().sent_at is None
        assert sweep_reductions() == 0
    finally:
        server.start()
    start_worker()
    assert swept_until_done(run)
    assert run.reductions.count() == 1
    assert run.reductions.get().attempt == 1


def test_a_task_delivered_five_times_gives_one_result(start_worker) -> None:
    run = send()
    pk = run.reductions.get().pk
    for _ in range(5):
        reduce_run.delay(pk)
    start_worker()
    assert done(run)
    reduction = run.reductions.get()
    finished = reduction.finished_at
    assert reduction.attempt == 1
    reduce_run.delay(pk)
    assert not wait_until(lambda: run.reductions.get().finished_at != finished, seconds=3, step=0.5)


def test_a_database_restarted_in_the_middle_loses_nothing(start_worker) -> None:
    start_worker()
    run = send(**SLOW)
    assert wait_until(lambda: state_of(run) == "reducing", seconds=60, step=0.005)
    connection.close()
    os.kill(SERVERS.postgres.pid, signal.SIGINT)  # every connection is cut off
    wait_until(SERVERS.postgres.has_died, seconds=10)
    SERVERS.postgres.start()
    assert wait_until(answers, seconds=60)
    assert swept_until_done(run)
    assert run.reductions.count() == 1
    run.refresh_from_db()
    assert run.current == run.reductions.get()


def answers() -> bool:
    try:
        connection.close()
        return Run.objects.exists()
    except OperationalError:
        return False


def test_a_child_of_a_process_that_used_the_reader_still_reduces() -> None:
    """The trap of a library whose threads do not survive a fork: the parent has read a table, the child reduces one."""
    run = send()
    script = (
        "import os, sys, django; django.setup()\n"
        "from analysis import runs\n"
        "from lims.runs.reducing import perform_reduction\n"
        "from django.db import connections\n"
        f"assert runs.read_run({default_storage.path(run.file.path)!r}).rows > 100\n"
        "child = os.fork()\n"
        "if child == 0:\n"
        f"    perform_reduction({run.reductions.get().pk}); os._exit(0)\n"
        "sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))\n"
    )
    subprocess.run([sys.executable, "-c", script], env=child_environment(), cwd=ROOT, check=True, timeout=60)
    assert state_of(run) == "reduced"
