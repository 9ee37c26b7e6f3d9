"""Every act on samples, rigs, methods and applications, against every role and an outsider, at the service."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from lims.accounts.models import User
from lims.accounts.roles import RIGHTS, Role, Rule
from lims.audit.models import Entry
from lims.core.errors import NotAllowed, Refusal
from lims.rigs import services as rigs
from lims.runs.services import applications
from lims.samples import services as samples
from tests.factories import APPLY, everybody, faces_of, make_application, make_method_version, make_sample

pytestmark = pytest.mark.django_db
Act = Callable[[dict[str, Any], User], Any]
NOW = timezone.now

# service, the right it asks for, how it is called
ACTS: tuple[tuple[str, str, Act], ...] = (
    ("register_sample", "sample.register", lambda _, u: samples.register_sample(
        actor=u, taken_at=NOW(), amount=Decimal("0.001"), name="x", container="x", condition="x", location="x")),
    ("take_sample", "sample.register", lambda r, u: samples.take_sample(r["sample"], actor=u)),
    ("refuse_sample", "sample.refuse", lambda r, u: samples.refuse_sample(r["sample"], actor=u, reason="x")),
    ("void_sample", "sample.void", lambda r, u: samples.void_sample(r["sample"], actor=u, reason="x")),
    ("move_sample", "sample.move", lambda r, u: samples.move_sample(r["sample"], actor=u, location="x")),
    ("note_custody", "sample.move", lambda r, u: samples.note_custody(r["sample"], actor=u, kind="open")),
    ("split_sample", "sample.split", lambda r, u: samples.split_sample(
        r["sample"], actor=u, amount=Decimal("0.001"), container="x")),
    ("return_sample", "sample.use", lambda r, u: samples.return_sample(r["sample"], actor=u, location="x")),
    ("use_up_sample", "sample.use", lambda r, u: samples.use_up_sample(r["sample"], actor=u)),
    ("retain_sample", "sample.retain", lambda r, u: samples.retain_sample(
        r["sample"], actor=u, location="x", keep_until=timezone.localdate() + timedelta(days=9))),
    ("release_sample_for_retest", "sample.release_for_retest",
        lambda r, u: samples.release_sample_for_retest(r["sample"], actor=u, reason="x")),
    ("dispose_sample", "sample.dispose", lambda r, u: samples.dispose_sample(r["sample"], actor=u, reason="x")),
    ("permit_block", "sample.permit_block", lambda r, u: applications.permit_block(
        r["sample"], actor=u, block=r["faces"].hot, reason="x")),
    ("create_block", "block.create", lambda _, u: rigs.create_block(
        actor=u, name="x", role="hot", metal="copper", finish="lapped", area=1e-3, conductivity=390.0)),
    ("create_rig", "rig.create", lambda _, u: rigs.create_rig(actor=u, name="x", location="x")),
    ("change_rig", "rig.change", lambda r, u: rigs.change_rig(r["rig"], actor=u, reason="x", location="y")),
    ("note_rig", "rig.note", lambda r, u: rigs.note_rig(r["rig"], actor=u, kind="damage", text="x")),
    ("add_sensor", "rig.add_sensor", lambda r, u: rigs.add_sensor(r["rig"], actor=u, serial="x", quantity="force")),
    ("configure_rig", "rig.configure", lambda r, u: rigs.configure_rig(
        r["rig"], actor=u, blocks=rigs.Blocks(r["faces"].hot, r["faces"].cold), channels=[], reason="x")),
    ("calibrate", "rig.calibrate", lambda r, u: rigs.calibrate(
        r["rig"].sensors.filter(quantity="force")[0], actor=u, valid_from=NOW(), unit="N", u=1.0, reference="x",
        due_on=timezone.localdate() + timedelta(days=9))),
    ("take_rig_out", "rig.out_of_service", lambda r, u: rigs.take_rig_out(r["rig"], actor=u, reason="x")),
    ("return_rig", "rig.return_to_service", lambda r, u: rigs.return_rig(r["rig"], actor=u, reason="x")),
    ("create_method", "method.create", lambda _, u: rigs.create_method(actor=u, name="x")),
    ("draft_method_version", "method.edit", lambda r, u: rigs.draft_method_version(
        r["version"].method, actor=u, reason="x")),
    ("edit_method_version", "method.edit", lambda r, u: rigs.edit_method_version(r["draft"], actor=u, force=1.0)),
    ("approve_method_version", "method.release", lambda r, u: rigs.approve_method_version(r["version"], actor=u)),
    ("retire_method_version", "method.retire", lambda r, u: rigs.retire_method_version(
        r["version"], actor=u, reason="x")),
    ("plan_application", "application.plan", lambda r, u: applications.plan_application(
        actor=u, sample=r["sample"], rig=r["rig"], method_version=r["version"], faces=r["faces"])),
    ("apply_sample", "application.apply", lambda r, u: applications.apply_sample(r["application"], actor=u, **APPLY)),
    ("plan_and_apply", "application.apply", lambda r, u: applications.plan_and_apply(
        actor=u, sample=r["sample"], rig=r["rig"], method_version=r["version"], faces=r["faces"], **APPLY)),
    ("settle_application", "application.settle",
        lambda r, u: applications.settle_application(r["application"], actor=u)),
    ("tear_down", "application.tear_down", lambda r, u: applications.tear_down(
        r["application"], actor=u, coverage=1.0)),
    ("void_application", "application.void", lambda r, u: applications.void_application(
        r["application"], actor=u, reason="x")),
)  # fmt: skip


@pytest.fixture
def records() -> dict[str, Any]:
    application = make_application()
    draft = make_method_version("another")
    return {
        "sample": make_sample(),
        "application": application,
        "rig": application.rig,
        "version": application.method_version,
        "draft": draft,
        "faces": faces_of(application.rig),
    }


def test_each_act_refuses_just_those_without_its_right(records: dict[str, Any]) -> None:
    for name, user in everybody_else().items():
        for service, right, act in ACTS:
            role = None if name == "OUTSIDER" else Role[name]
            allowed = role is not None and RIGHTS[right][role] is not Rule.NO
            refused = _refused_for_want_of_right(act, records, user)
            assert refused is not allowed, f"{service} for {name}"
            if refused:
                last = Entry.objects.filter(refused=True).first()
                assert last is not None
                assert (last.actor, last.act) == (user, right)


def everybody_else() -> dict[str, User]:
    """The people of every role beside those who made the records, so that nobody judges own work."""
    for user in User.objects.all():
        User.objects.filter(pk=user.pk).update(username=f"first-{user.username}")
    return everybody()


def _refused_for_want_of_right(act: Act, records: dict[str, Any], user: User) -> bool:
    try:
        act(records, user)
    except NotAllowed as refusal:
        return refusal.code == "not-allowed"
    except (Refusal, ValidationError):
        return False
    return False
