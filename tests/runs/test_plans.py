"""Plans of applications: drawn, accepted, worked down; the order left only with a reason."""

from __future__ import annotations

import pytest
from django.db import DatabaseError, transaction

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.rigs.models import MethodVersion, Rig
from lims.runs.models import PlanLine, TestPlan
from lims.runs.selectors.plans import evenness_of, lines_of, next_lines
from lims.runs.services.plans import abandon_plan, accept_plan, apply_line, draw_plan, skip_line
from tests.factories import APPLY, faces_of, make_method_version, make_rig, make_sample, somebody

pytestmark = pytest.mark.django_db


def make_plan(**facts) -> TestPlan:
    asked = {"title": "three pastes", "replicates": 2, "days": 2, "per_block": 3, "seed": 5} | facts
    asked.setdefault("samples", [make_sample(name=name) for name in ("one", "two", "three")])
    asked.setdefault("rigs", [Rig.objects.first() or make_rig()])
    version = MethodVersion.objects.first() or make_method_version()
    return draw_plan(actor=somebody(Role.CHEMIST), method_version=version, **asked)


def put_on(line: PlanLine, **facts):
    return apply_line(line, actor=somebody(Role.OPERATOR), faces=faces_of(line.rig), **(APPLY | facts))


def test_a_plan_holds_every_sample_and_the_reference_in_each_block_and_draws_again_from_its_seed():
    reference = make_sample(name="reference", reference=True)
    plan = make_plan(reference=reference)
    lines = list(lines_of(plan))
    assert len(lines) == 8
    for block in (1, 2):
        inside = [line for line in lines if line.block == block]
        assert len({line.sample_id for line in inside}) == 4
        assert sum(line.as_reference for line in inside) == 1
    assert evenness_of(plan).even
    samples = list({line.sample for line in lines if not line.as_reference})
    samples.sort(key=lambda s: s.pk)
    again = draw_plan(
        actor=somebody(Role.CHEMIST), title="again", method_version=plan.method_version, samples=samples,
        rigs=[lines[0].rig], reference=reference, replicates=2, days=2, per_block=3, seed=plan.seed,
    )  # fmt: skip
    assert [line.sample_id for line in lines_of(again)] == [line.sample_id for line in lines]


def test_a_plan_is_worked_down_in_its_order_and_finishes():
    plan = make_plan()
    first, second, *others = lines_of(plan)
    with pytest.raises(Conflict, match="only an accepted plan"):
        put_on(first)
    accept_plan(plan, actor=somebody(Role.CHEMIST))
    assert next_lines(plan) == [first]
    with pytest.raises(Conflict, match="comes before line 2"):
        put_on(second)
    early = put_on(second, out_of_order="the first syringe was not thawed")
    assert PlanLine.objects.get(pk=second.pk).out_of_order == "the first syringe was not thawed"
    made = put_on(first, out_of_order="not needed here")
    assert PlanLine.objects.get(pk=first.pk).out_of_order == ""
    assert (early.sample, made.sample) == (second.sample, first.sample)
    with pytest.raises(Conflict, match="done already"):
        put_on(first)
    for line in others:
        skip_line(line, actor=somebody(Role.OPERATOR), reason="the rig is down")
    plan.refresh_from_db()
    assert plan.state == "finished"
    assert next_lines() == []


def test_nobody_changes_the_order_of_a_plan_even_past_the_services():
    line = lines_of(make_plan()).first()
    with pytest.raises(DatabaseError), transaction.atomic():
        PlanLine.objects.filter(pk=line.pk).update(position=99)
    with pytest.raises(DatabaseError), transaction.atomic():
        PlanLine.objects.filter(pk=line.pk).delete()


def test_what_cannot_be_planned_is_refused_and_named():
    with pytest.raises(Invalid) as refused:
        make_plan(days=1)
    assert refused.value.fields == {"days": ["6 applications need 2 days with these rigs; 1 are given."]}
    with pytest.raises(Invalid) as refused:
        make_plan(samples=[], rigs=[], replicates=0)
    assert set(refused.value.fields) == {"samples", "rigs", "replicates"}
    plan = make_plan()
    with pytest.raises(NotAllowed):
        accept_plan(plan, actor=somebody(Role.OPERATOR))
    abandon_plan(plan, actor=somebody(Role.CHEMIST), reason="another method is asked for")
    with pytest.raises(WrongState):
        accept_plan(plan, actor=somebody(Role.CHEMIST))
