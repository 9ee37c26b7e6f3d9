"""Specifications (SPF-01): limits in SI and as entered, approved by another person, fixed afterwards."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.specifications import selectors, services
from lims.specifications.services import LimitSpec
from tests.factories import PASSWORD, make_material, make_specification, person, somebody

pytestmark = pytest.mark.django_db
D50 = LimitSpec("d50", "um", lower=4.0, upper=6.0)


def draft(*limits: LimitSpec, **facts):
    subject = facts.pop("subject", None) or make_material()
    content = {"actor": somebody(Role.CHEMIST), "name": "limits", "subject": subject} | facts
    return services.create_specification(limits=limits or [D50], **content)


def test_a_limit_is_kept_in_si_and_shown_as_entered() -> None:
    # 1 psi is 6894.757 Pa: NIST SP 811, appendix B.8
    version = draft(LimitSpec("pressure", "psi", upper=50.0))
    limit = version.limits.get()
    assert limit.upper == pytest.approx(344737.9, rel=1e-6)
    assert limit.as_entered == "at most 50 psi"


@pytest.mark.parametrize(
    "limit",
    [
        LimitSpec("d50", "um"),
        LimitSpec("d50", "um", lower=6.0, upper=4.0),
        LimitSpec("d50", "kg", upper=4.0),
        LimitSpec("luck", "um", upper=4.0),
        LimitSpec("d50", "um", upper=4.0, results_required=0),
    ],
)
def test_a_limit_that_makes_no_sense_is_refused(limit: LimitSpec) -> None:
    with pytest.raises(Invalid):
        draft(limit)


def test_a_quantity_is_limited_once() -> None:
    with pytest.raises(Invalid, match="limited twice"):
        draft(D50, D50)


def test_the_author_does_not_approve() -> None:
    quality = somebody(Role.QUALITY)
    version = draft(actor=quality)
    with pytest.raises(NotAllowed) as refused:
        services.approve_specification(version, actor=quality, password=PASSWORD)
    assert refused.value.code == "own-work"


def test_a_specification_without_limits_is_not_approved() -> None:
    version = services.create_specification(
        actor=somebody(Role.CHEMIST), name="empty", limits=[], subject=make_material()
    )
    with pytest.raises(Invalid):
        services.approve_specification(version, actor=somebody(Role.QUALITY), password=PASSWORD)


def test_an_approved_version_is_not_edited() -> None:
    version = make_specification(make_material())
    with pytest.raises(Conflict) as refused:
        services.edit_specification(version, actor=somebody(Role.CHEMIST), limits=[D50])
    assert refused.value.code == "not-a-draft"


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE specifications_specificationversion SET guard_factor = 0 WHERE id = %s",
        "UPDATE specifications_limit SET upper = 1 WHERE specification_version_id = %s",
        "DELETE FROM specifications_limit WHERE specification_version_id = %s",
    ],
)
def test_the_database_refuses_any_change_of_an_approved_version(sql: str) -> None:
    version = make_specification(make_material())
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, [version.pk])


def test_of_two_versions_the_later_is_in_force_and_no_two_begin_at_once() -> None:
    first = make_specification(make_material())
    second = services.new_specification_version(first, actor=somebody(Role.CHEMIST), limits=[D50])
    with pytest.raises(Conflict) as refused:
        services.approve_specification(
            second, actor=somebody(Role.QUALITY), password=PASSWORD, effective_from=first.effective_from
        )
    assert refused.value.code == "overlap"
    tomorrow = timezone.now() + timedelta(days=1)
    second = services.approve_specification(
        second, actor=somebody(Role.QUALITY), password=PASSWORD, effective_from=tomorrow
    )
    material = first.specification.material
    assert selectors.in_force(material=material) == [first]
    assert selectors.in_force(material=material, at=tomorrow + timedelta(hours=1)) == [second]
    assert (selectors.state_words(first), selectors.state_words(second)) == ("effective", "approved")


def test_each_role_drafts_and_approves_only_where_the_table_says_so() -> None:
    version = draft()
    people = {r.name: person(r, username=f"second-{r.value}") for r in Role} | {"OUTSIDER": person(None)}
    for name, user in people.items():
        if name in ("CHEMIST", "QUALITY"):
            assert draft(actor=user, name=name, subject=version.specification.material).author == user
        else:
            with pytest.raises(NotAllowed):
                draft(actor=user, name=name, subject=version.specification.material)
        if name != "QUALITY":
            with pytest.raises(NotAllowed):
                services.approve_specification(version, actor=user, password=PASSWORD)
    withdrawn = services.withdraw_specification(
        services.approve_specification(version, actor=people["QUALITY"], password=PASSWORD),
        actor=people["QUALITY"],
        password=PASSWORD,
        reason="wrong unit",
    )
    assert withdrawn.state == "withdrawn"
