"""The history can be added to, never changed; the chain names what was tampered with."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, transaction
from django.db.utils import ProgrammingError

from lims.audit import services
from lims.audit.models import Entry, Link


def _entry(number: int) -> Entry:
    return services.record(actor=None, act="lot.receive", subject=("lot", f"LOT-{number:04d}"), reason="test")


@pytest.mark.django_db
@pytest.mark.parametrize("sql", ["UPDATE audit_entry SET reason = 'x'", "DELETE FROM audit_entry"])
def test_an_entry_cannot_be_changed_or_deleted_by_sql(sql: str) -> None:
    _entry(1)
    with pytest.raises(ProgrammingError, match="Cannot"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)


@pytest.mark.django_db
def test_the_chain_holds_after_sealing_and_again_after_more() -> None:
    for number in range(5):
        _entry(number)
    assert services.seal() == 5
    _entry(9)
    assert services.seal() == 1
    assert services.verify().holds
    assert services.verify().links == 6


@pytest.mark.django_db
def test_a_changed_entry_is_named() -> None:
    entries = [_entry(number) for number in range(5)]
    services.seal()
    _disabled("UPDATE audit_entry SET reason = 'another' WHERE id = %s", entries[2].pk)
    found = services.verify()
    assert not found.holds
    assert found.broken_entry == entries[2].pk
    assert "changed" in found.message


@pytest.mark.django_db
def test_a_removed_entry_is_named() -> None:
    entries = [_entry(number) for number in range(5)]
    services.seal()
    _disabled("DELETE FROM audit_entry WHERE id = %s", entries[3].pk)
    found = services.verify()
    assert found.broken_entry == entries[3].pk
    assert "removed" in found.message


@pytest.mark.django_db
def test_an_entry_put_in_with_its_own_link_is_found() -> None:
    for number in range(3):
        _entry(number)
    services.seal()
    forged = _entry(7)
    Link.objects.create(position=4, entry=forged, digest="f" * 64)
    assert services.verify().broken_entry == forged.pk


def _disabled(sql: str, *values: object) -> None:
    """Run SQL as the owner of the tables with the triggers switched off: an attack from outside the application."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("ALTER TABLE audit_entry DISABLE TRIGGER USER")
        cursor.execute(sql, values)
        cursor.execute("ALTER TABLE audit_entry ENABLE TRIGGER USER")


@pytest.mark.usefixtures("committed_db")
def test_parallel_writers_and_sealers_do_not_fork_the_chain() -> None:
    def work(number: int) -> None:
        try:
            _entry(number)
            services.seal()
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(work, range(24)))
    services.seal()
    found = services.verify()
    assert found.holds
    assert found.links == 24
