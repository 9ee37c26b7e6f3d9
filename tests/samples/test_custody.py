"""The chain of custody of a sample."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid
from lims.samples import services
from lims.samples.models import CustodyEvent
from lims.samples.selectors import custody_of
from tests.factories import make_sample, somebody

pytestmark = pytest.mark.django_db


def test_moving_keeps_the_holder_and_handing_over_changes_it() -> None:
    operator, chemist = somebody(Role.OPERATOR), somebody(Role.CHEMIST)
    sample = make_sample()
    services.move_sample(sample, actor=operator, location="bench 2")
    services.move_sample(sample, actor=operator, location="laboratory 3", holder=chemist, condition="closed")
    kinds = [(link.event.kind, link.event.holder, link.event.location) for link in custody_of(sample)]
    assert kinds == [
        ("receive", operator, "cabinet 1"),
        ("move", operator, "bench 2"),
        ("hand_over", chemist, "laboratory 3"),
    ]
    sample.refresh_from_db()
    assert sample.location == "laboratory 3"
    assert not any(link.gap for link in custody_of(sample))


def test_somebody_who_was_not_handed_the_sample_shows_as_a_gap() -> None:
    sample = make_sample()
    services.move_sample(sample, actor=somebody(Role.CHEMIST), location="bench 2")
    first, second = custody_of(sample)
    assert not first.gap
    assert "no handing over" in second.gap


def test_two_events_cannot_take_the_same_place_in_the_chain() -> None:
    event = make_sample().custody.get()
    with pytest.raises(IntegrityError, match="custody_chain"), transaction.atomic():
        CustodyEvent.objects.create(
            sample=event.sample, position=1, kind="move", holder=event.holder, by=event.by, location="elsewhere"
        )


def test_an_event_cannot_be_changed_or_removed() -> None:
    sample = make_sample()
    with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
        sample.custody.update(location="elsewhere")
    with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
        sample.custody.all().delete()


def test_thawing_is_noted_and_taking_by_hand_is_not() -> None:
    sample = make_sample()
    services.note_custody(sample, actor=somebody(Role.OPERATOR), kind="thaw", condition="2 h at 20 degC")
    assert sample.custody.last().kind == "thaw"
    with pytest.raises(Invalid, match="not something noted by hand"):
        services.note_custody(sample, actor=somebody(Role.OPERATOR), kind="use")


def test_nobody_moves_what_is_disposed_of() -> None:
    sample = services.dispose_sample(make_sample(), actor=somebody(Role.QUALITY), reason="solvent waste")
    with pytest.raises(Conflict) as caught:
        services.move_sample(sample, actor=somebody(Role.OPERATOR), location="bench")
    assert caught.value.code == "not-in-custody"
    assert sample.custody.last().amount == Decimal("-0.020")


def test_an_empty_place_is_refused() -> None:
    with pytest.raises(Invalid, match="where"):
        services.move_sample(make_sample(), actor=somebody(Role.OPERATOR), location=" ")


def test_the_time_is_the_servers() -> None:
    before = timezone.now()
    assert before <= make_sample().custody.get().at <= timezone.now()
