"""The fixtures other tests stand on: a real worker on a real queue, as the database role without ownership."""

import pytest
from django.db import connection

from tests.conftest import SERVERS

pytestmark = pytest.mark.processes


def test_a_worker_takes_tasks_from_the_queue(worker):
    from lims.celery import app

    assert app.control.ping(timeout=10)
    registered = app.control.inspect(timeout=10).registered()
    assert any("runs.reduce_run" in tasks for tasks in registered.values())


def test_a_worker_and_the_pages_do_not_own_the_tables(committed_db):
    import psycopg

    with (
        psycopg.connect(SERVERS.application_address()) as application,
        pytest.raises(psycopg.errors.InsufficientPrivilege),
    ):
        application.execute("ALTER TABLE accounts_user ADD COLUMN other text")


def test_committed_rows_are_gone_after_the_test_that_made_them(django_db_setup, django_db_blocker):
    from tests.factories import person

    with django_db_blocker.unblock():
        person(None)
        connection.close()
        SERVERS.restore()
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM accounts_user")
            assert cursor.fetchone() == (0,)
        connection.close()
