"""A list of 100 000 samples answers at once (screens: 200 ms), in a bounded number of queries; so does the search."""

from __future__ import annotations

from time import perf_counter

import pytest
from django.db import connection

from lims.accounts.roles import Role
from tests.benchmarks.test_trace_speed import copied
from tests.factories import make_sample, somebody

SAMPLES = 100_000
# the limit is 0.2 s; a busy machine that runs other work beside the tests is given four times that
LONGEST = 0.8


@pytest.mark.bench
@pytest.mark.django_db
def test_a_hundred_thousand_samples_are_listed_and_searched_at_once(client, django_assert_max_num_queries) -> None:
    sample = make_sample(name="paste")
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        new = {"code": "'S-9' || lpad(n::text, 6, '0')", "name": "'paste ' || md5(n::text)"}
        copied(cursor, "samples_sample", sample.pk, SAMPLES, **new)
    client.force_login(somebody(Role.OPERATOR))
    client.get("/samples/")
    addresses = ("/samples/", "/samples/?page=1500", "/samples/?state=held", "/samples/?text=c4ca42", "/api/samples/")
    for address in (*addresses, "/search/?q=c4ca4238a0b9&kind=sample", "/search/?q=S-9000017x"):
        started = perf_counter()
        with django_assert_max_num_queries(40 if "search" in address else 10):
            assert client.get(address).status_code == 200
        taken = perf_counter() - started
        print(f"\n{address}: {taken * 1000:.0f} ms")
        assert taken < LONGEST, address
