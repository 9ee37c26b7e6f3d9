"""Two people at the last of a sample at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal

import pytest
from django.db import connections

from lims.accounts.roles import Role
from lims.core.errors import Conflict
from lims.samples.models import Sample
from lims.samples.selectors import left
from lims.samples.services import split_sample
from tests.factories import make_sample, somebody

pytestmark = pytest.mark.django_db(transaction=True)


def test_just_one_of_two_takes_the_last_of_a_sample() -> None:
    sample, operator = make_sample(), somebody(Role.OPERATOR)

    def take(_: int) -> str:
        try:
            return split_sample(sample, actor=operator, amount=Decimal("0.015"), container="jar").code
        except Conflict as refusal:
            return refusal.code
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        answers = sorted(pool.map(take, range(2)))
    assert "not-enough-sample" in answers
    assert Sample.objects.filter(parent=sample).count() == 1
    assert left(sample) == Decimal("0.005")
    assert [event.position for event in sample.custody.all()] == [1, 2]
