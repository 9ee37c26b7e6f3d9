"""What all tests stand on: a real PostgreSQL and, when asked for, a real queue and worker."""

import os
import secrets
import shutil
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings

from lims.local.processes import start_process, stop_process, wait_until
from lims.local.testing import TestServers

ROOT = Path(__file__).resolve().parent.parent
SERVERS = TestServers(ROOT)

# Set before the settings are read. Tests act as the owner of the tables, since they make and empty them.
os.environ.update(
    {
        "DJANGO_SETTINGS_MODULE": "lims.settings",
        "LIMS_TRIAL": "1",
        "SECRET_KEY": secrets.token_urlsafe(50),
        "DATABASE_URL": SERVERS.owner_address(),
        "BROKER_URL": "redis://127.0.0.1:1/0",
        "STORAGE_FOLDER": str(SERVERS.folder / "files"),
        "ALLOWED_HOSTS": "localhost,127.0.0.1,testserver",
        "TIME_ZONE": "Europe/Vienna",
        "LOG_LEVEL": "WARNING",
    }
)

# Reading a setting here lets pytest-django see that Django is to be set up.
assert settings.DATABASES


def chromium() -> str | None:
    """Return the browser for tests, if this machine has one."""
    return next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out browser tests where there is no browser; refuse to when one is demanded."""
    in_browser = [item for item in items if item.get_closest_marker("browser")]
    if not in_browser or chromium():
        return
    if os.environ.get("LIMS_REQUIRE_BROWSER") == "1":
        raise pytest.UsageError("LIMS_REQUIRE_BROWSER=1, but there is no Chromium on PATH")
    for item in in_browser:
        item.add_marker(pytest.mark.skip(reason="there is no Chromium on PATH"))


def pytest_unconfigure(config: pytest.Config) -> None:
    """Stop the servers when the session ends, however it ends."""
    SERVERS.stop()


@pytest.fixture(autouse=True)
def _fast_passwords(settings) -> None:
    """Hash passwords fast: argon2 is slow on purpose."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_a_queue() -> None:
    """Wait for no queue that is down: most tests have none, and reduce by themselves what was sent."""
    from lims.celery import app

    app.conf.task_publish_retry_policy = {"max_retries": 1, "interval_start": 0.001, "interval_max": 0.001}


@pytest.fixture(scope="session")
def django_db_setup(django_test_environment, django_db_blocker) -> Iterator[None]:
    """Bring the test database: a copy of a migrated one, or freshly migrated when the migrations changed."""
    from django.core.management import call_command
    from django.db import connections

    SERVERS.start_database()
    with django_db_blocker.unblock():
        if not SERVERS.restore():
            call_command("migrate", verbosity=0, interactive=False)
            connections.close_all()
            SERVERS.keep()
    yield
    with django_db_blocker.unblock():
        connections.close_all()


@pytest.fixture
def committed_db(django_db_setup, django_db_blocker) -> Iterator[None]:
    """A database whose rows are truly committed, for tests with other processes; made afresh afterwards."""
    from django.db import connections

    with django_db_blocker.unblock():
        try:
            yield
        finally:
            connections.close_all()
            SERVERS.restore()


@pytest.fixture
def file_store(settings) -> Iterator[Path]:
    """The folder uploaded files go to, empty at the start and the end of the test."""
    folder = Path(settings.STORAGE_FOLDER)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def queue(settings) -> Iterator[str]:
    """A running queue; returns its address. Tasks sent in the test go there."""
    from lims.celery import app

    server = SERVERS.queue()
    before = app.conf.broker_url
    app.conf.broker_url = settings.CELERY_BROKER_URL = server.address
    forget_connections()
    app.control.purge()
    yield server.address
    app.conf.broker_url = before
    forget_connections()


def forget_connections() -> None:
    """Let the queue's client open its connections afresh, to the address it has now."""
    from kombu import pools

    from lims.celery import app

    pools.reset()
    app._after_fork()


def child_environment(**changes: str) -> dict[str, str]:
    """Return the environment of a process of its own on the test database, as the application's role."""
    return {
        **os.environ,
        "DATABASE_URL": SERVERS.application_address(),
        "DATABASE_OWNER_URL": SERVERS.owner_address(),
        "BROKER_URL": SERVERS.queue().address,
        "PYTHONUNBUFFERED": "1",
        "LOG_LEVEL": "INFO",
        "C_FORCE_ROOT": "1",
        **changes,
    }


@pytest.fixture
def worker(committed_db, queue, tmp_path) -> Iterator[object]:
    """A real worker process on the test database and queue."""
    log = tmp_path / "worker.log"
    command = [sys.executable, "-m", "celery", "-A", "lims", "worker", "--concurrency=2", "--loglevel=INFO"]
    command += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    with log.open("wb") as output:
        process = start_process(command, environment=child_environment(), output=output, options={"cwd": ROOT})
    try:
        assert wait_until(lambda: b" ready." in log.read_bytes(), seconds=60), log.read_text()
        yield process
    finally:
        stop_process(process, gently=signal.SIGQUIT, seconds=10)
