"""An act: right checked, all or nothing, one entry, safe to repeat."""

import pytest

from lims.accounts.acts import act, require
from lims.accounts.models import User
from lims.accounts.roles import COLUMNS, RIGHTS, Role, Rule, rule_for
from lims.accounts.services import create_account, end_account, end_role, grant_role
from lims.audit.models import Entry
from lims.core.errors import Conflict, Invalid, NotAllowed
from tests.factories import PASSWORD, everybody, person

pytestmark = pytest.mark.django_db


def test_every_act_has_a_rule_for_every_role() -> None:
    assert all(set(rules) == set(COLUMNS) for rules in RIGHTS.values())


def test_nobody_without_a_role_may_do_anything() -> None:
    assert all(rule_for(frozenset(), name) is Rule.NO for name in RIGHTS)


def test_an_administrator_may_not_read_or_change_laboratory_work() -> None:
    kept = {
        "history.read",
        "history.seal",
        "account.create",
        "account.end",
        "account.see_own",
        "account.change_password",
    }
    kept |= {"account.second_factor", "account.reset_second_factor", "account.end_session"}
    kept |= {"role.grant", "token.create", "token.end", "system.read"}
    assert {name for name, rules in RIGHTS.items() if rules[Role.ADMINISTRATOR] is not Rule.NO} == kept


def test_an_act_that_stands_in_no_row_cannot_be_written() -> None:
    with pytest.raises(KeyError, match="stands in no row"):
        act("lot.conjure")


def test_an_act_leaves_exactly_one_entry_with_who_what_and_why() -> None:
    quality, chemist = person(Role.QUALITY), person(Role.CHEMIST)
    before = Entry.objects.count()
    grant = grant_role(chemist, actor=quality, role=Role.OPERATOR, reason="covers the night shift")
    entry = Entry.objects.first()
    assert Entry.objects.count() == before + 1
    assert (entry.actor, entry.act, entry.reason) == (quality, "role.grant", "covers the night shift")
    assert {change["field"]: change["new"] for change in entry.changes}["role"] == grant.role
    assert entry.request_id


def test_a_refused_act_is_kept_in_the_history() -> None:
    chemist = person(Role.CHEMIST)
    with pytest.raises(NotAllowed):
        grant_role(chemist, actor=chemist, role=Role.QUALITY, reason="I would like it")
    entry = Entry.objects.first()
    assert entry.refused
    assert entry.subject_code == chemist.username


def test_the_old_and_the_new_value_are_kept() -> None:
    quality, chemist = person(Role.QUALITY), person(Role.CHEMIST)
    grant = grant_role(chemist, actor=quality, role=Role.OPERATOR, reason="helps")
    end_role(grant, actor=quality, reason="moved on")
    changes = {c["field"]: (c["old"], c["new"]) for c in Entry.objects.first().changes}
    assert changes["ends_at"][0] is None
    assert changes["ends_at"][1] is not None


def test_the_same_key_with_the_same_content_gives_the_same_record() -> None:
    administrator = person(Role.ADMINISTRATOR)
    content = {"username": "b.moor", "name": "B. Moor", "password": PASSWORD}
    first = create_account(actor=administrator, key="k1", **content)
    again = create_account(actor=administrator, key="k1", **content)
    assert first == again


def test_the_same_key_with_other_content_is_refused() -> None:
    administrator = person(Role.ADMINISTRATOR)
    create_account(actor=administrator, key="k1", username="b.moor", name="B. Moor", password=PASSWORD)
    with pytest.raises(Invalid) as refusal:
        create_account(actor=administrator, key="k1", username="c.fen", name="C. Fen", password=PASSWORD)
    assert refusal.value.code == "key-reused"


def test_a_user_name_is_never_given_again() -> None:
    administrator = person(Role.ADMINISTRATOR)
    gone = create_account(actor=administrator, username="d.reed", name="D. Reed", password=PASSWORD)
    end_account(gone, actor=administrator, reason="left")
    with pytest.raises(Conflict, match="given before"):
        create_account(actor=administrator, username="D.Reed", name="Another", password=PASSWORD)


def test_an_ended_account_and_an_ended_role_hold_no_right() -> None:
    quality, administrator, chemist = person(Role.QUALITY), person(Role.ADMINISTRATOR), person(Role.CHEMIST)
    end_role(chemist.grants.get(), actor=quality, reason="changed team")
    assert not User.objects.get(pk=chemist.pk).may("laboratory.read")
    operator = person(Role.OPERATOR)
    end_account(operator, actor=administrator, reason="left")
    assert not User.objects.get(pk=operator.pk).may("laboratory.read")


@pytest.mark.parametrize("weak", ["Password1!", "short", "password"])
def test_a_common_or_short_password_is_refused(weak: str) -> None:
    # NIST SP 800-63B, 5.1.1.2: at least 8 characters, compared with a list of common ones
    with pytest.raises(Invalid):
        create_account(actor=person(Role.ADMINISTRATOR), username="e.marsh", name="E. Marsh", password=weak)


def test_words_and_spaces_make_a_good_password() -> None:
    create_account(actor=person(Role.ADMINISTRATOR), username="e.marsh", name="E. Marsh", password="nine wet stones")


@pytest.mark.parametrize("name", sorted(RIGHTS))
def test_every_right_is_as_the_table_says_for_each_role_and_an_outsider(name: str) -> None:
    for role, user in everybody().items():
        allowed = role != "OUTSIDER" and RIGHTS[name][Role[role]] is not Rule.NO
        if allowed:
            require(user, name)
        else:
            with pytest.raises(NotAllowed):
                require(user, name)
