"""Sessions of tests run side by side, and share what one of them has migrated."""

import psycopg
import pytest

from lims.local.testing import TestServers

pytestmark = pytest.mark.processes


@pytest.fixture
def session(tmp_path):
    """Open sessions on one tree; all are closed at the end."""
    (tmp_path / "lims" / "runs" / "migrations").mkdir(parents=True)
    (tmp_path / "lims" / "runs" / "migrations" / "0001_initial.py").write_text("# one")
    opened = []

    def start() -> TestServers:
        opened.append(TestServers(tmp_path))
        opened[-1].start_database()
        return opened[-1]

    yield start
    for servers in opened:
        servers.stop()


def migrate(servers: TestServers) -> None:
    with psycopg.connect(servers.owner_address()) as owner:
        owner.execute("CREATE TABLE note (number serial PRIMARY KEY, text text)")


def test_two_sessions_have_folders_of_their_own(session):
    first, second = session(), session()
    assert first.folder != second.folder
    assert first.postgres.data != second.postgres.data


def test_a_folder_given_back_is_used_again(session):
    first = session()
    first.stop()
    assert session().folder == first.folder


def test_another_session_loads_what_the_first_has_migrated(session):
    first, second = session(), session()
    assert not first.restore()
    migrate(first)
    first.keep()
    assert second.restore()
    with psycopg.connect(second.application_address()) as application:
        application.execute("INSERT INTO note (text) VALUES ('kept')")
    with (
        psycopg.connect(second.application_address()) as application,
        pytest.raises(psycopg.errors.InsufficientPrivilege),
    ):
        application.execute("DROP TABLE note")


def test_the_copy_is_fresh_each_time(session):
    servers = session()
    servers.restore()
    migrate(servers)
    servers.keep()
    with psycopg.connect(servers.owner_address()) as owner:
        owner.execute("INSERT INTO note (text) VALUES ('left over')")
    assert servers.restore()
    with psycopg.connect(servers.owner_address()) as owner:
        assert owner.execute("SELECT count(*) FROM note").fetchone() == (0,)


def test_a_later_session_notices_a_changed_migration(session, tmp_path):
    servers = session()
    servers.restore()
    migrate(servers)
    servers.keep()
    (tmp_path / "lims" / "runs" / "migrations" / "0001_initial.py").write_text("# two")
    assert servers.restore(), "a session keeps to what it began with"
    assert not session().restore()
