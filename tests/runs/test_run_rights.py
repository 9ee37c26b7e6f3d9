"""Who may do what with runs and comparisons: each act for each role and an outsider, against the table of rights."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from lims.accounts.models import Grant, User
from lims.accounts.roles import RIGHTS, Role, Rule
from lims.audit.models import Entry
from lims.comparisons import services as comparisons
from lims.core.errors import NotAllowed
from lims.runs.models import Run
from lims.runs.services import runs
from tests.comparisons.results import measure
from tests.factories import PASSWORD, make_application, make_method_version, make_rig, person

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
DEAD = {"code": "heater_channel_dead", "severity": "blocks", "message": "heater 3 gives 0.2 W", "figures": []}
STALE = {"code": "zero_stale", "severity": "blocks", "message": "the zero is 9 h old", "figures": ["gap"]}
PEOPLE = [*Role, None]


def flagged() -> Run:
    return measure(make_application(), 9.0, flags=[DEAD])


def posed(actor: User | None = None) -> Any:
    rig, version = make_rig("second bench"), make_method_version("second method")
    samples = [make_application(rig=rig, version=version).sample for _ in range(2)]
    return comparisons.pose_comparison(
        actor=actor or person(Role.MANAGER, username="asker"), title="x", method_version=version, samples=samples
    )


def reduce_again(actor: User) -> Any:
    return runs.request_reduction(flagged(), actor=actor, reason="r")


def window(actor: User) -> Any:
    return runs.choose_window(flagged(), actor=actor, start=1.0, end=2.0, reason="r")


def zeros(actor: User) -> Any:
    return runs.choose_zeros(flagged(), actor=actor, zero=None, reason="r")


def override(actor: User) -> Any:
    return runs.override_flag(flagged().current, actor=actor, flag="heater_channel_dead", reason="r")


def qualify(actor: User) -> Any:
    run = measure(make_application(), 9.0, flags=[STALE])
    return runs.qualify_run(run, actor=actor, reason="zero repeated the same evening", password=PASSWORD)


def abort(actor: User) -> Any:
    application = make_application()
    type(application).objects.filter(pk=application.pk).update(applied_by=actor)
    application.refresh_from_db()
    return runs.declare_aborted(application, actor=actor, reason="leak")


def change(actor: User) -> Any:
    found = posed()
    return comparisons.change_comparison(found, actor=actor, version=found.version, title="y")


def include(actor: User) -> Any:
    found = posed()
    return comparisons.include_sample(found, actor=actor, sample=found.samples.first(), reason="r")


def close(actor: User) -> Any:
    return comparisons.close_comparison(posed(), actor=actor)


ACTS: dict[str, Callable[[User], Any]] = {
    "reduction.request": reduce_again,
    "reduction.choose_window": window,
    "run.choose_zeros": zeros,
    "run.override_flag": override,
    "run.qualify": qualify,
    "run.abort": abort,
    "comparison.pose": posed,
    "comparison.change": change,
    "comparison.include": include,
    "comparison.close": close,
}


@pytest.mark.parametrize("role", PEOPLE, ids=lambda role: role.label if role else "outsider")
@pytest.mark.parametrize("act", ACTS)
def test_each_act_for_each_role(act: str, role: Role | None) -> None:
    actor = person(role, username="tester")
    allowed = role is not None and RIGHTS[act][role] is not Rule.NO
    if allowed:
        ACTS[act](actor)
        assert Entry.objects.filter(act=act, actor=actor, refused=False).count() == 1
    else:
        with pytest.raises(NotAllowed):
            ACTS[act](actor)
        assert Entry.objects.filter(act=act, actor=actor, refused=True).count() == 1


def test_nobody_sets_aside_a_flag_of_own_work() -> None:
    run = flagged()
    Grant(user=run.uploaded_by, role=Role.QUALITY, reason="small laboratory").save()
    actor = User.objects.get(pk=run.uploaded_by_id)
    with pytest.raises(NotAllowed) as caught:
        runs.override_flag(run.current, actor=actor, flag="heater_channel_dead", reason="r")
    assert caught.value.code == "own-work"


def test_an_operator_declares_only_own_applications_aborted() -> None:
    with pytest.raises(NotAllowed) as caught:
        runs.declare_aborted(make_application(), actor=person(Role.OPERATOR, username="another"), reason="leak")
    assert caught.value.code == "not-own-record"
