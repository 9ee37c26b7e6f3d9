"""Plan an application, put the material on, tear down, void; what must be refused on the way."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.audit.selectors import history_of
from lims.cases.services import place_hold
from lims.core.errors import Conflict, Invalid, WrongState
from lims.rigs import services as rigs
from lims.rigs.models import Rig
from lims.runs.models import Application, Run
from lims.runs.selectors.applications import checks_before, counts_of_sample, may_begin, pressure_of, uses_of
from lims.runs.services import applications
from lims.runs.states import APPLICATION_MACHINE, ApplicationState
from lims.samples.selectors import left
from lims.samples.services import dispose_sample
from tests.factories import (
    APPLY,
    faces_of,
    make_application,
    make_blocks,
    make_method_version,
    make_rig,
    make_sample,
    somebody,
)

pytestmark = pytest.mark.django_db


def plan(**changes: Any) -> Application:
    rig = changes.pop("rig", None) or Rig.objects.first() or make_rig()
    content = {
        "actor": somebody(Role.OPERATOR),
        "sample": changes.pop("sample", None) or make_sample(),
        "rig": rig,
        "method_version": changes.pop("method_version", None) or make_method_version(),
        "faces": faces_of(rig),
    }
    return applications.plan_application(**(content | changes))


def test_a_planned_sample_is_put_on_and_what_was_used_leaves_it() -> None:
    application = plan()
    applied = applications.apply_sample(application, actor=somebody(Role.OPERATOR), **APPLY)
    assert (applied.state, applied.sample.state) == ("applied", "held")
    applied.sample.refresh_from_db()
    assert applied.sample.state == "in_test"
    assert left(applied.sample) == Decimal("0.0195")
    assert applied.sample.custody.last().cause == application.code
    assert [entry.act for entry in history_of("application", application.code)] == [
        "application.apply",
        "application.plan",
    ]


def test_hundred_newtons_on_a_square_inch_are_155_kilopascal() -> None:
    """645.16 mm2 is exactly one square inch (NIST SP 811, appendix B.8); 100 N / 645.16 mm2 = 155.0 kPa."""
    rig = make_rig(blocks=make_blocks(somebody(Role.RIG_KEEPER), area=645.16e-6))
    version = make_method_version(area=645.16e-6, force=100.0)
    application = make_application(rig=rig, version=version, force=100.0)
    assert pressure_of(application) == pytest.approx(155.0e3, abs=50)


def test_the_pressure_follows_the_covered_part_of_the_face() -> None:
    application = make_application()
    assert pressure_of(application) == pytest.approx(250e3)
    torn = applications.tear_down(application, actor=somebody(Role.OPERATOR), coverage=0.8)
    assert pressure_of(torn) == pytest.approx(312.5e3)


def test_a_missing_surface_is_named() -> None:
    rig = make_rig()
    with pytest.raises(Invalid) as caught:
        plan(rig=rig, faces=applications.Faces(faces_of(rig).hot, None))
    assert caught.value.code == "surface-missing"
    assert set(caught.value.fields) == {"cold_block"}


@pytest.mark.parametrize("field", ["cleaning", "pattern", "force", "amount"])
def test_what_an_application_records_cannot_be_left_out(field: str) -> None:
    application = plan()
    nothing = Decimal(0) if field == "amount" else None if field == "force" else ""
    with pytest.raises(Invalid) as caught:
        applications.apply_sample(application, actor=somebody(Role.OPERATOR), **(APPLY | {field: nothing}))
    assert field in caught.value.fields
    application.refresh_from_db()
    assert application.state == "planned"


@pytest.mark.parametrize("hours", [-1, 2])
def test_a_time_to_come_or_before_the_sampling_is_refused(hours: int) -> None:
    when = timezone.now() - timedelta(hours=hours)  # the sample was taken an hour ago
    with pytest.raises(Invalid) as caught:
        applications.apply_sample(plan(), actor=somebody(Role.OPERATOR), applied_at=when, **APPLY)
    assert set(caught.value.fields) == {"applied_at"}


def test_a_sample_nobody_holds_is_refused() -> None:
    gone = dispose_sample(make_sample(), actor=somebody(Role.QUALITY), reason="waste")
    with pytest.raises(Conflict) as caught:
        plan(sample=gone)
    assert caught.value.code == "sample-not-held"


def test_more_than_is_left_is_refused_and_nothing_changes() -> None:
    application = plan()
    with pytest.raises(Conflict, match="20 g") as caught:
        applications.apply_sample(application, actor=somebody(Role.OPERATOR), **(APPLY | {"amount": Decimal("0.03")}))
    assert caught.value.code == "not-enough-sample"
    application.sample.refresh_from_db()
    assert application.sample.state == "held"


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"expires_on": timezone.localdate() - timedelta(days=1)}, "expired on"),
        ({"taken_at": timezone.now() - timedelta(hours=80), "hold_limit_hours": 72.0}, "hold time exceeded by 8 h"),
    ],
)
def test_a_sample_past_its_limits_is_applied_only_with_a_reason(facts: dict[str, Any], words: str) -> None:
    application = plan(sample=make_sample(**facts))
    operator = somebody(Role.OPERATOR)
    with pytest.raises(Invalid, match=words) as caught:
        applications.apply_sample(application, actor=operator, **APPLY)
    assert caught.value.code == "departure-needed"
    applied = applications.apply_sample(application, actor=operator, departure="ageing test", **APPLY)
    assert applied.departure == "ageing test"


def test_a_force_off_the_method_needs_a_reason() -> None:
    application = plan()
    with pytest.raises(Invalid, match=r"10\.0% off") as caught:
        applications.apply_sample(application, actor=somebody(Role.OPERATOR), **(APPLY | {"force": 275.0}))
    assert "departure" in caught.value.fields


def test_a_rig_out_of_service_or_overdue_cannot_be_chosen() -> None:
    out = rigs.take_rig_out(make_rig("bench-5"), actor=somebody(Role.OPERATOR), reason="smell")
    overdue = make_rig("bench-6", due_on=timezone.localdate() - timedelta(days=1))
    today = make_rig("bench-7", due_on=timezone.localdate())
    with pytest.raises(Conflict) as caught:
        plan(rig=out)
    assert caught.value.code == "rig-out-of-service"
    version = make_method_version("another")
    with pytest.raises(Conflict) as caught:
        plan(rig=overdue, method_version=version)
    assert caught.value.code == "calibration-overdue"
    assert caught.value.extra["due_on"] == (timezone.localdate() - timedelta(days=1)).isoformat()
    assert plan(rig=today, method_version=version).state == "planned"


def test_a_rig_that_falls_overdue_between_planning_and_applying_is_refused() -> None:
    application = plan()
    rigs.take_rig_out(application.rig, actor=somebody(Role.RIG_KEEPER), reason="sensor loose")
    with pytest.raises(Conflict) as caught:
        applications.apply_sample(application, actor=somebody(Role.OPERATOR), **APPLY)
    assert caught.value.code == "rig-out-of-service"


@pytest.mark.parametrize("subject", ["sample", "rig"])
def test_a_hold_stops_planning_and_applying(subject: str) -> None:
    application = plan()
    place_hold(getattr(application, subject), actor=somebody(Role.OPERATOR), reason="in doubt")
    with pytest.raises(Conflict) as caught:
        applications.apply_sample(application, actor=somebody(Role.OPERATOR), **APPLY)
    assert caught.value.code == "on-hold"
    with pytest.raises(Conflict, match="in doubt"):
        plan(sample=application.sample, method_version=application.method_version)


def test_only_the_version_in_force_is_for_new_work() -> None:
    old = make_method_version()
    new = rigs.draft_method_version(old.method, actor=somebody(Role.RIG_KEEPER), reason="longer soak", soak=60.0)
    with pytest.raises(Conflict) as caught:
        plan(method_version=new)
    assert caught.value.code == "method-not-effective"
    rigs.approve_method_version(new, actor=somebody(Role.QUALITY))
    with pytest.raises(Conflict):
        plan(method_version=old)


def test_blocks_of_another_area_or_surface_or_rig_are_refused() -> None:
    rig = make_rig()
    keeper = somebody(Role.RIG_KEEPER)
    for facts, code in (({"area": 645.16e-6}, "block-area"), ({"surface": "ground"}, "block-surface")):
        with pytest.raises(Conflict) as caught:
            plan(rig=rig, method_version=make_method_version(f"for {code}", **facts))
        assert caught.value.code == code
    others = make_blocks(keeper)
    with pytest.raises(Conflict) as caught:
        plan(rig=rig, faces=applications.Faces(others.hot, others.cold))
    assert caught.value.code == "block-not-on-rig"


def test_a_worn_block_is_refused() -> None:
    keeper = somebody(Role.RIG_KEEPER)
    blocks = make_blocks(keeper)
    once = rigs.create_block(
        actor=keeper, name="soft face", role="cold", metal="copper", finish="lapped", area=1e-3, conductivity=390.0,
        uses_allowed=1,
    )  # fmt: skip
    rig = make_rig(blocks=rigs.Blocks(blocks.hot, once))
    first = make_application(rig=rig)
    assert uses_of(once) == 1
    with pytest.raises(Conflict) as caught:
        plan(rig=rig, sample=first.sample, method_version=first.method_version)
    assert caught.value.code == "block-worn"


def test_a_gallium_alloy_on_aluminium_is_a_hard_stop_until_quality_permits_it() -> None:
    keeper = somebody(Role.RIG_KEEPER)
    rig = make_rig(blocks=make_blocks(keeper, metal="aluminium"))
    sample = make_sample(material_kind="liquid_metal")
    version = make_method_version()
    with pytest.raises(Conflict, match="attacks aluminium") as caught:
        plan(rig=rig, sample=sample, method_version=version)
    assert caught.value.code == "incompatible-metal"
    assert not may_begin(checks_before(sample, rig))
    faces = faces_of(rig)
    for block in (faces.hot, faces.cold):
        assert block is not None
        applications.permit_block(sample, actor=somebody(Role.QUALITY), block=block, reason="to be scrapped after")
    assert plan(rig=rig, sample=sample, method_version=version).state == "planned"


def test_a_permit_for_what_does_no_harm_is_refused() -> None:
    rig = make_rig()
    with pytest.raises(Conflict) as caught:
        applications.permit_block(
            make_sample(), actor=somebody(Role.QUALITY), block=rig.configurations.get().hot_block, reason="just so"
        )
    assert caught.value.code == "no-permit-needed"


def test_putting_on_again_counts_as_an_application_and_running_again_does_not() -> None:
    application = make_application()
    operator = somebody(Role.OPERATOR)
    for number in range(5):
        Run(
            code=f"R-9{number:03}", kind="sample", application=application, rig=application.rig, state="accepted",
            uploaded_by=operator,
        ).save()  # fmt: skip
    counts = counts_of_sample(application.sample)
    assert (counts.applications, counts.runs, counts.reductions) == (1, 5, 0)
    make_application(sample=application.sample, rig=application.rig, version=application.method_version)
    assert counts_of_sample(application.sample).applications == 2


ACTS: dict[str, Callable[[Application], Any]] = {
    "apply": lambda a: applications.apply_sample(a, actor=somebody(Role.OPERATOR), **APPLY),
    "settle": lambda a: applications.settle_application(a, actor=somebody(Role.OPERATOR)),
    "tear_down": lambda a: applications.tear_down(a, actor=somebody(Role.OPERATOR), coverage=1.0),
    "void": lambda a: applications.void_application(a, actor=somebody(Role.OPERATOR), reason="slipped"),
}


def test_every_row_of_the_table_has_an_act() -> None:
    assert set(ACTS) | {"measure"} == set(APPLICATION_MACHINE.moves)  # measure: when a run is accepted


@pytest.mark.parametrize("act", list(ACTS))
def test_an_act_works_from_the_states_of_its_row_and_from_no_other(act: str) -> None:
    application = plan()
    for state in ApplicationState.values:
        Application.objects.filter(pk=application.pk).update(state=state)
        application.refresh_from_db()
        if state in APPLICATION_MACHINE.moves[act].before:
            ACTS[act](application)
            application.refresh_from_db()
            assert application.state == APPLICATION_MACHINE.moves[act].after
        else:
            with pytest.raises(WrongState) as caught:
                ACTS[act](application)
            assert caught.value.extra["allowed"] == APPLICATION_MACHINE.allowed(state)


def test_an_application_with_an_accepted_run_cannot_be_void() -> None:
    application = make_application()
    Run(
        code="R-9000", kind="sample", application=application, rig=application.rig, state="accepted",
        uploaded_by=somebody(Role.OPERATOR),
    ).save()  # fmt: skip
    with pytest.raises(Conflict, match="R-9000") as caught:
        applications.void_application(application, actor=somebody(Role.OPERATOR), reason="slipped")
    assert caught.value.code == "application-has-runs"


@pytest.mark.parametrize("coverage", [None, 0.0, 1.2, -0.1, float("nan")])
def test_tearing_down_needs_the_covered_part(coverage: float | None) -> None:
    with pytest.raises(Invalid) as caught:
        applications.tear_down(make_application(), actor=somebody(Role.OPERATOR), coverage=coverage)
    assert "coverage" in caught.value.fields


def test_an_old_or_missing_zero_is_told_before_the_work_and_does_not_stop_it() -> None:
    sample, rig = make_sample(), make_rig()
    checks = checks_before(sample, rig)
    assert [check.get("code") for check in checks if not check.get("ok")] == ["zero-missing"]
    assert may_begin(checks)
    operator = somebody(Role.OPERATOR)
    now = timezone.now()
    for hours, ok, code in ((20, False, "zero-stale"), (1, True, None)):
        Run(
            code=f"R-80{hours:02}", kind="zero", rig=rig, state="accepted", uploaded_by=operator,
            started_at=now - timedelta(hours=hours),
        ).save()  # fmt: skip
        line = checks_before(sample, rig)[-1]
        assert (bool(line.get("ok")), line.get("code")) == (ok, code)
