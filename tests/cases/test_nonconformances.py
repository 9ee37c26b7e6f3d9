"""Holds and nonconformances: who opens, who closes, what stands meanwhile."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from lims.cases import selectors, services
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from tests.factories import make_lot, person, somebody

pytestmark = pytest.mark.django_db


def opened(**facts):
    return services.open_nonconformance(make_lot(), **{"actor": somebody(Role.OPERATOR), "title": "lumps"} | facts)


def test_opening_holds_the_subject_and_closing_lifts_it() -> None:
    case = opened()
    assert selectors.standing_holds("lot", case.subject_code).count() == 1
    closed = services.close_nonconformance(case, actor=somebody(Role.QUALITY), cause="damp", action="dried")
    assert closed.state == "closed"
    assert not selectors.standing_holds("lot", case.subject_code).exists()


@pytest.mark.parametrize(("cause", "action", "field"), [("", "dried", "cause"), ("damp", " ", "action")])
def test_closing_needs_cause_and_action(cause: str, action: str, field: str) -> None:
    with pytest.raises(Invalid) as refused:
        services.close_nonconformance(opened(), actor=somebody(Role.QUALITY), cause=cause, action=action)
    assert field in refused.value.fields


def test_who_opened_does_not_close() -> None:
    quality = somebody(Role.QUALITY)
    with pytest.raises(NotAllowed) as refused:
        services.close_nonconformance(opened(actor=quality), actor=quality, cause="damp", action="dried")
    assert refused.value.code == "own-work"


def test_a_closed_case_is_neither_closed_nor_cancelled_again() -> None:
    case, quality = opened(), somebody(Role.QUALITY)
    services.close_nonconformance(case, actor=quality, cause="damp", action="dried")
    with pytest.raises(WrongState):
        services.close_nonconformance(case, actor=quality, cause="damp", action="dried")
    with pytest.raises(WrongState):
        services.cancel_nonconformance(case, actor=quality, reason="mistake")


def test_who_placed_a_hold_does_not_lift_it_and_it_is_lifted_once() -> None:
    quality, other = somebody(Role.QUALITY), person(Role.QUALITY, username="other")
    hold = services.place_hold(make_lot(), actor=quality, reason="lumps")
    with pytest.raises(NotAllowed):
        services.lift_hold(hold, actor=quality, reason="gone")
    with pytest.raises(Invalid):
        services.lift_hold(hold, actor=other, reason=" ")
    services.lift_hold(hold, actor=other, reason="gone")
    with pytest.raises(Conflict):
        services.lift_hold(hold, actor=other, reason="gone")


def test_each_role_opens_and_closes_only_where_the_table_says_so() -> None:
    people = {r.name: person(r, username=f"second-{r.value}") for r in Role} | {"OUTSIDER": person(None)}
    lot = make_lot()
    for name, user in people.items():
        if name in ("CHEMIST", "OPERATOR", "RIG_KEEPER", "QUALITY", "MANAGER"):
            case = services.open_nonconformance(lot, actor=user, title="lumps")
        else:
            with pytest.raises(NotAllowed):
                services.open_nonconformance(lot, actor=user, title="lumps")
        if name != "QUALITY":
            with pytest.raises(NotAllowed):
                services.close_nonconformance(case, actor=user, cause="damp", action="dried")
