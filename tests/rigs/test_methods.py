"""Methods in versions: draft, approve, retire."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.utils import timezone

from lims.accounts.models import Grant
from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.rigs import services
from lims.rigs.models import MethodVersion
from lims.rigs.selectors import effective_versions
from lims.rigs.states import METHOD_MACHINE, MethodState
from tests.factories import make_method_version, person, somebody

pytestmark = pytest.mark.django_db


def test_the_next_version_is_a_copy_of_the_last_with_what_is_new() -> None:
    first = make_method_version()
    second = services.draft_method_version(
        first.method, actor=somebody(Role.RIG_KEEPER), reason="longer soak", soak=60.0
    )
    assert (second.code, second.state, second.soak, second.force) == (f"{first.method.code}/2", "draft", 60.0, 250.0)


def test_a_second_draft_and_a_version_without_reason_are_refused() -> None:
    first = make_method_version()
    author = somebody(Role.RIG_KEEPER)
    with pytest.raises(Invalid, match="what is new"):
        services.draft_method_version(first.method, actor=author, soak=60.0)
    services.draft_method_version(first.method, actor=author, reason="soak", soak=60.0)
    with pytest.raises(Conflict) as caught:
        services.draft_method_version(first.method, actor=author, reason="again")
    assert caught.value.code == "draft-stands"


def test_an_author_cannot_approve_and_somebody_else_of_quality_can() -> None:
    author = person(Role.QUALITY, username="author")
    method = services.create_method(
        actor=author, name="own", area=1e-3, surface="lapped", heater_power=1.0, force=1.0, coolant_temperature=298.15
    )
    version = method.versions.get()
    with pytest.raises(NotAllowed) as caught:
        services.approve_method_version(version, actor=author)
    assert caught.value.code == "own-work"
    approved = services.approve_method_version(version, actor=person(Role.QUALITY))
    assert approved.state == "approved"
    assert approved in effective_versions()


def test_only_the_author_edits_a_draft_and_nobody_an_approved_version() -> None:
    keeper = somebody(Role.RIG_KEEPER)
    version = services.create_method(actor=keeper, name="m", area=1e-3, surface="lapped").versions.get()
    services.edit_method_version(version, actor=keeper, force=200.0)
    with pytest.raises(NotAllowed) as caught:
        services.edit_method_version(version, actor=somebody(Role.QUALITY), force=300.0)
    assert caught.value.code == "not-own-record"
    fixed = make_method_version()
    with pytest.raises(Conflict) as caught_conflict:
        services.edit_method_version(fixed, actor=keeper, force=300.0)
    assert caught_conflict.value.code == "version-fixed"


def test_the_database_refuses_a_change_to_an_approved_version() -> None:
    version = make_method_version()
    with pytest.raises(DatabaseError, match="cannot change"), transaction.atomic():
        MethodVersion.objects.filter(pk=version.pk).update(force=300.0)


def test_an_incomplete_draft_is_not_approved() -> None:
    method = services.create_method(actor=somebody(Role.RIG_KEEPER), name="m", area=1e-3, surface="lapped")
    with pytest.raises(Invalid) as caught:
        services.approve_method_version(method.versions.get(), actor=somebody(Role.QUALITY))
    assert set(caught.value.fields) == {"heater_power", "force", "coolant_temperature"}


@pytest.mark.parametrize("wrong", [{"area": 0.0}, {"force": -1.0}, {"reduction_method": "guess"}])
def test_what_cannot_be_right_is_refused_by_its_field(wrong: dict[str, Any]) -> None:
    with pytest.raises(Invalid) as caught:
        services.create_method(
            actor=somebody(Role.RIG_KEEPER), name="m", **({"area": 1e-3, "surface": "lapped"} | wrong)
        )
    assert set(caught.value.fields) == set(wrong)


def test_a_retired_version_and_one_whose_day_has_not_come_are_not_offered() -> None:
    first = make_method_version()
    second = services.draft_method_version(first.method, actor=somebody(Role.RIG_KEEPER), reason="soak", soak=60.0)
    services.approve_method_version(
        second, actor=somebody(Role.QUALITY), effective_from=timezone.now() + timedelta(days=1)
    )
    assert list(effective_versions()) == [first]
    services.retire_method_version(first, actor=somebody(Role.QUALITY), reason="superseded")
    assert list(effective_versions()) == []


@pytest.mark.parametrize("act", list(METHOD_MACHINE.moves))
def test_an_act_works_from_the_states_of_its_row_and_from_no_other(act: str) -> None:
    quality = somebody(Role.QUALITY)
    acts = {
        "approve": lambda v: services.approve_method_version(v, actor=quality),
        "retire": lambda v: services.retire_method_version(v, actor=quality, reason="old"),
    }
    assert set(acts) == set(METHOD_MACHINE.moves)
    for number, state in enumerate(MethodState.values):
        version = make_method_version(f"method {number}")
        if state == "draft":
            version = services.draft_method_version(version.method, actor=somebody(Role.RIG_KEEPER), reason="x")
        else:
            MethodVersion.objects.filter(pk=version.pk).update(state=state)
        version.refresh_from_db()
        if state in METHOD_MACHINE.moves[act].before:
            acts[act](version)
            version.refresh_from_db()
            assert version.state == METHOD_MACHINE.moves[act].after
        else:
            with pytest.raises(WrongState):
                acts[act](version)


def test_a_role_that_ended_gives_no_right() -> None:
    keeper = person(Role.RIG_KEEPER, username="former")
    Grant.objects.filter(user=keeper).update(ends_at=timezone.now())
    with pytest.raises(NotAllowed):
        services.create_method(actor=keeper, name="m")
