"""The database server of our own, with the real programs: crashes, left-overs, rights."""

import os
import pwd
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psycopg
import pytest

from lims.local.binaries import shared_folder
from lims.local.errors import CannotStart
from lims.local.folders import FolderLock
from lims.local.identity import Identity
from lims.local.postgres import PostgresServer
from lims.local.processes import is_alive, wait_until
from lims.local.roles import RoleNames, prepare_roles

ROOT = Path(__file__).resolve().parent.parent.parent
NAMES = RoleNames("owner", "owner-password", "application", "application-password", "laboratory")

pytestmark = pytest.mark.processes


@pytest.fixture(scope="module")
def fresh_folder(tmp_path_factory) -> Path:
    """A folder with a database made once, to be copied for each test: making one waits for the disk."""
    server = PostgresServer(tmp_path_factory.mktemp("fresh") / "postgres")
    server.start()
    server.stop()
    return server.folder


@pytest.fixture
def server(tmp_path, fresh_folder):
    made = PostgresServer(shutil.copytree(fresh_folder, tmp_path / "postgres"))
    made.start()
    yield made
    made.stop()


@pytest.fixture
def addresses(server) -> tuple[str, str]:
    """Addresses of one database for its owner and for the application."""
    prepare_roles(server.admin_address(), names=NAMES)
    owner = server.address(user=NAMES.owner, password=NAMES.owner_password, database=NAMES.database)
    with psycopg.connect(owner) as connection:
        connection.execute("CREATE TABLE note (number serial PRIMARY KEY, text text)")
    application = server.address(user=NAMES.application, password=NAMES.application_password, database=NAMES.database)
    return owner, application


def test_pages_are_checked_by_checksums(server):
    with psycopg.connect(server.admin_address()) as connection:
        assert connection.execute("SHOW data_checksums").fetchone() == ("on",)
        assert connection.execute("SHOW fsync").fetchone() == ("on",)


def test_nobody_gets_in_without_the_password(server):
    with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
        psycopg.connect(server.address(user="lims_superuser", password="wrong", database="postgres"))


def test_only_this_machine_can_reach_it(server):
    with psycopg.connect(server.admin_address()) as connection:
        assert connection.execute("SHOW listen_addresses").fetchone() == ("127.0.0.1",)


def test_secrets_are_readable_by_their_owner_only(server):
    assert (server.folder / "secrets.json").stat().st_mode & 0o077 == 0


def test_the_application_reads_and_writes_rows(addresses):
    with psycopg.connect(addresses[1]) as application:
        application.execute("INSERT INTO note (text) VALUES ('kept')")
        assert application.execute("SELECT text FROM note").fetchall() == [("kept",)]


@pytest.mark.parametrize(
    "statement",
    [
        "DROP TABLE note",
        "ALTER TABLE note ADD COLUMN other text",
        "TRUNCATE note",
        "ALTER TABLE note DISABLE TRIGGER ALL",
        "CREATE TABLE mine (number int)",
        "CREATE ROLE friend SUPERUSER",
    ],
)
def test_the_application_cannot_change_tables(addresses, statement):
    with psycopg.connect(addresses[1]) as application, pytest.raises(psycopg.errors.InsufficientPrivilege):
        application.execute(statement)


def test_rights_taken_from_the_application_stay_taken(server, addresses):
    with psycopg.connect(addresses[0]) as owner:
        owner.execute("REVOKE UPDATE, DELETE ON note FROM application")
    prepare_roles(server.admin_address(), names=NAMES)
    with psycopg.connect(addresses[1]) as application, pytest.raises(psycopg.errors.InsufficientPrivilege):
        application.execute("DELETE FROM note")


def test_every_committed_row_is_there_after_kill_9(server, addresses):
    port = server.port
    with psycopg.connect(addresses[1], autocommit=True) as application:
        for number in range(200):
            application.execute("INSERT INTO note (text) VALUES (%s)", [str(number)])
        os.kill(server.pid, signal.SIGKILL)
        assert wait_until(server.has_died, seconds=5)
    server.start()
    assert server.port == port
    with psycopg.connect(addresses[1]) as application:
        assert application.execute("SELECT count(*) FROM note").fetchone() == (200,)


def test_a_folder_of_another_major_version_is_refused_and_left_alone(server):
    server.stop()
    (server.data / "PG_VERSION").write_text("15\n")
    before = sorted(path.name for path in server.data.iterdir())
    with pytest.raises(CannotStart, match=r"written by PostgreSQL 15; .* brings PostgreSQL 18"):
        server.start()
    assert sorted(path.name for path in server.data.iterdir()) == before


def test_a_note_that_names_somebody_elses_process_does_not_stop_the_start(server):
    server.stop()
    (server.data / "postmaster.pid").write_text(f"{os.getpid()}\n{server.data}\n1\n5432\n\n127.0.0.1\n\n")
    server.start()
    assert server.is_ready()


def test_a_folder_in_use_is_refused_by_naming_the_holder(server):
    with pytest.raises(CannotStart, match=f"in use by process {os.getpid()}"):
        PostgresServer(server.folder).start()


def test_a_half_made_folder_is_made_again(tmp_path):
    (tmp_path / "data.new" / "base").mkdir(parents=True)
    server = PostgresServer(tmp_path)
    server.start()
    try:
        assert server.is_ready()
    finally:
        server.stop()


STARTER = """
import sys, time
from pathlib import Path
from lims.local.postgres import PostgresServer
server = PostgresServer(Path(sys.argv[1]))
server.start()
print(server.pid, flush=True)
time.sleep(600)
"""


def test_the_server_goes_when_its_launcher_is_killed(tmp_path):
    launcher = subprocess.Popen(
        [sys.executable, "-c", STARTER, str(tmp_path / "postgres")], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    pid = int(launcher.stdout.readline())
    assert is_alive(pid)
    launcher.kill()
    launcher.wait()
    launcher.stdout.close()
    assert wait_until(lambda: not is_alive(pid), seconds=10)


def test_a_server_left_over_is_ended_before_a_new_start(server):
    """Where the system has no signal for it, a killed launcher leaves its server: here the lock alone is let go."""
    left = server.pid
    server.lock.release()
    second = PostgresServer(server.folder)
    second.start()
    try:
        assert second.pid != left
        assert wait_until(lambda: server.has_died(), seconds=5)
        assert second.is_ready()
    finally:
        second.stop()


def test_a_start_takes_seconds(tmp_path):
    began = time.monotonic()
    server = PostgresServer(tmp_path)
    server.start()
    server.stop()
    assert time.monotonic() - began < 15


def test_a_lock_goes_with_its_process(tmp_path):
    code = "import os, sys; from pathlib import Path; from lims.local.folders import FolderLock\n"
    code += "FolderLock(Path(sys.argv[1])).take(); os.kill(os.getpid(), 9)"
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], cwd=ROOT, check=False)
    lock = FolderLock(tmp_path)
    assert lock.try_take()
    lock.release()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can step down to another user")
def test_root_that_may_not_map_itself_steps_down_to_nobody(tmp_path, monkeypatch):
    """As in many containers. The test's folder is closed to others, so programs and data move to a place all reach."""
    nobody = pwd.getpwnam("nobody")
    place = Path(tempfile.mkdtemp())
    monkeypatch.setattr("lims.local.postgres.database_identity", lambda: Identity(uid=nobody.pw_uid, gid=nobody.pw_gid))
    monkeypatch.setattr("lims.local.binaries.SHARED_PLACE", place)
    place.chmod(0o755)
    tmp_path.chmod(0o700)
    server = PostgresServer(tmp_path / "postgres")
    try:
        server.start()
        assert server.data.stat().st_uid == nobody.pw_uid
        assert Path(f"/proc/{server.pid}").stat().st_uid == nobody.pw_uid
        os.kill(server.pid, signal.SIGKILL)
        assert wait_until(server.has_died, seconds=5)
        server.start()
        assert server.is_ready()
    finally:
        server.stop()
        shutil.rmtree(place)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder to somebody else")
def test_a_shared_folder_made_by_somebody_else_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("lims.local.binaries.SHARED_PLACE", tmp_path)
    (tmp_path / "lims-x").mkdir()
    os.chown(tmp_path / "lims-x", 12345, 12345)
    with pytest.raises(CannotStart, match="made by somebody else"):
        shared_folder("lims-x", identity=Identity())
