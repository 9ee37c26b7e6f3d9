"""Nonconformances: who opens, looks into, decides and closes; what stands meanwhile; what may be repeated."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from lims.accounts.models import User
from lims.accounts.roles import Role
from lims.cases import selectors, services
from lims.cases.models import Nonconformance
from lims.cases.states import CHECKLIST, MACHINE, STANDING
from lims.core.errors import Conflict, Invalid, NotAllowed, Refusal, WrongState
from lims.signatures.models import Signature
from tests.factories import PASSWORD, make_lot, person, settle, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


def opened(**facts) -> Nonconformance:
    return services.open_nonconformance(make_lot(), **{"actor": somebody(Role.OPERATOR), "title": "lumps"} | facts)


def evidence(text: str = "a scratched face") -> io.BytesIO:
    file = io.BytesIO(text.encode())
    file.name = "face.txt"
    return file


def looked_into(case: Nonconformance, *, without: str = "") -> Nonconformance:
    quality = somebody(Role.QUALITY)
    services.start_investigation(case, actor=quality)
    for item in CHECKLIST:
        if item != without:
            services.check_item(case, actor=quality, item=item, seen="as it should be", in_order=True)
    return case


def in_review() -> Nonconformance:
    return services.find_no_cause(looked_into(opened()), actor=somebody(Role.QUALITY), finding="nothing found")


def planned(**facts) -> services.Repeats:
    given = {"kind": "retest", "number": 2, "runner": somebody(Role.CHEMIST), "acceptance": "each below 12"} | facts
    return services.Repeats(**given)


def plan(case: Nonconformance, **facts):
    return services.plan_repeats(case, actor=somebody(Role.QUALITY), password=PASSWORD, repeats=planned(**facts))


def test_opening_holds_the_subject_and_closing_lifts_it_by_signature() -> None:
    case = opened()
    assert selectors.standing_holds("lot", case.subject_code).count() == 1
    assert settle(case, quality=somebody(Role.QUALITY)).state == "closed"
    assert not selectors.standing_holds("lot", case.subject_code).exists()
    assert Signature.objects.filter(subject_kind="nonconformance", subject_code=case.code).count() == 2


def test_who_opened_does_not_look_into_it() -> None:
    quality = somebody(Role.QUALITY)
    with pytest.raises(NotAllowed) as refused:
        services.start_investigation(opened(actor=quality), actor=quality)
    assert refused.value.code == "own-work"


def test_the_first_look_ends_only_with_every_item_answered() -> None:
    case, quality = looked_into(opened(), without="zero"), somebody(Role.QUALITY)
    with pytest.raises(Conflict, match="1 items of the checklist are open: The zero") as refused:
        services.find_no_cause(case, actor=quality, finding="nothing")
    assert refused.value.code == "checklist-open"
    with pytest.raises(Invalid):
        services.check_item(case, actor=quality, item="weather", seen="wet", in_order=True)


def test_an_assignable_cause_needs_evidence_and_two_persons() -> None:
    case, quality = looked_into(opened()), somebody(Role.QUALITY)
    other = person(Role.QUALITY, username="other")
    cause = services.Cause("rig", "the face was scratched", evidence())

    def find(found=cause, second=other, secret=PASSWORD):
        given = services.Second(second, secret)
        return services.find_cause(case, actor=quality, password=PASSWORD, second=given, found=found)

    with pytest.raises(Invalid, match="evidence"):
        find(found=services.Cause("rig", "scratched", None))
    with pytest.raises(NotAllowed, match="Two persons"):
        find(second=quality)
    with pytest.raises(NotAllowed, match="password"):
        find(secret="not theirs")
    found = find()
    assert found.state == "disposition"
    assert found.evidence is not None


def test_repeats_are_planned_after_the_first_look_and_made_by_a_second_person() -> None:
    with pytest.raises(Conflict, match="after the first look"):
        plan(opened())
    case = in_review()
    with pytest.raises(NotAllowed):
        plan(case, runner=somebody(Role.QUALITY))
    with pytest.raises(Invalid):
        plan(case, kind="resample")
    with pytest.raises(Invalid):
        plan(case, acceptance=" ")
    assert plan(case).left == 2


def take(case: Nonconformance, *, actor: User, run: str) -> None:
    with transaction.atomic():
        services.take_repeat([(case.subject_kind, case.subject_code)], actor=actor, run=run)


def test_exactly_so_many_repeats_are_made_by_the_named_person_and_none_before_the_first_look() -> None:
    chemist = somebody(Role.CHEMIST)
    early = opened()
    with pytest.raises(Conflict) as refused:
        take(early, actor=chemist, run="RUN-1")
    assert refused.value.code == "checklist-open"
    case = in_review()
    with pytest.raises(Conflict) as refused:
        take(case, actor=chemist, run="RUN-1")
    assert refused.value.code == "no-repeat-plan"
    plan(case)
    with pytest.raises(NotAllowed):
        take(case, actor=somebody(Role.OPERATOR), run="RUN-1")
    with pytest.raises(Conflict, match="2 planned repeats"):
        services.conclude_review(case, actor=somebody(Role.QUALITY), finding="x", cause_kind="rig", cause="y")
    for run in ("RUN-1", "RUN-2"):
        take(case, actor=chemist, run=run)
    with pytest.raises(Conflict) as refused:
        take(case, actor=chemist, run="RUN-3")
    assert refused.value.code == "retest-plan-exhausted"


@pytest.mark.parametrize("column", ["number = 9", "acceptance = 'whatever'", "runner_id = approved_by_id"])
def test_a_plan_cannot_be_changed_by_sql(column: str) -> None:
    made = plan(in_review())
    with pytest.raises(DatabaseError, match="cannot change"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"UPDATE cases_repeatplan SET {column} WHERE id = %s", [made.pk])


@pytest.mark.parametrize("column", ["cause = 'other'", "action = 'other'", "description = 'other'"])
def test_a_closed_case_cannot_be_changed_by_sql_and_is_reopened_instead(column: str) -> None:
    quality = somebody(Role.QUALITY)
    case = settle(opened(), quality=quality)
    with pytest.raises(DatabaseError, match="cannot change"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"UPDATE cases_nonconformance SET {column} WHERE id = %s", [case.pk])
    again = services.reopen_nonconformance(case, actor=quality, reason="it came back")
    assert again.state == "phase_2"
    assert selectors.standing_holds("lot", case.subject_code).count() == 1


def test_only_the_owner_says_what_was_done_and_its_effect_is_looked_at_when_due() -> None:
    quality, owner, today = somebody(Role.QUALITY), somebody(Role.MANAGER), timezone.localdate()
    case = services.conclude_review(
        in_review(), actor=quality, finding="all stand", cause_kind="material", cause="coarse tail"
    )
    deciding = services.Deciding("reject", "none other", owner, today - timedelta(days=1))
    case = services.decide_disposition(case, actor=quality, password=PASSWORD, deciding=deciding)
    assert case.overdue
    with pytest.raises(NotAllowed, match="owned by"):
        services.finish_action(case, actor=quality, action="returned", check_on=today)
    case = services.finish_action(case, actor=owner, action="returned", check_on=today + timedelta(days=30))
    with pytest.raises(Conflict) as refused:
        services.close_nonconformance(case, actor=quality, password=PASSWORD, effectiveness="fine")
    assert refused.value.code == "check-not-due"


def test_a_kind_of_cause_that_comes_back_within_a_year_is_shown() -> None:
    quality = somebody(Role.QUALITY)
    first, second = settle(opened(), quality=quality), settle(opened(), quality=quality)
    assert list(selectors.same_cause(second)) == [first]


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


def test_each_role_opens_and_looks_into_only_where_the_table_says_so() -> None:
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
                services.start_investigation(case, actor=user)


class Course(RuleBasedStateMachine):
    """Every act tried from every state: it moves as the table says, or is refused and moves nothing."""

    def __init__(self) -> None:
        super().__init__()
        self.quality, self.owner = somebody(Role.QUALITY), somebody(Role.MANAGER)
        self.case = opened()
        self.state = "open"
        self.answered: set[str] = set()

    def attempt(self, act: str, perform) -> None:
        possible = act in MACHINE.allowed(self.state)
        possible = possible and (act != "find_no_cause" or len(self.answered) == len(CHECKLIST))
        if possible:
            perform()
            self.state = MACHINE.after(self.state, act)
        else:
            with pytest.raises(Refusal) as refused, transaction.atomic():
                perform()
            assert isinstance(refused.value, WrongState | Conflict)

    @rule()
    def start(self) -> None:
        self.attempt("start", lambda: services.start_investigation(self.case, actor=self.quality))

    @precondition(lambda self: self.state == "phase_1")
    @rule()
    def answer_all(self) -> None:
        for item in CHECKLIST:
            services.check_item(self.case, actor=self.quality, item=item, seen="seen", in_order=True)
        self.answered = set(CHECKLIST)

    @rule()
    def find_no_cause(self) -> None:
        self.attempt(
            "find_no_cause", lambda: services.find_no_cause(self.case, actor=self.quality, finding="nothing found")
        )

    @rule()
    def conclude(self) -> None:
        given = {"finding": "all stand", "cause_kind": "material", "cause": "coarse"}
        self.attempt("conclude", lambda: services.conclude_review(self.case, actor=self.quality, **given))

    @rule(disposition=st.sampled_from(Nonconformance.Disposition.values))
    def decide(self, disposition: str) -> None:
        deciding = services.Deciding(disposition, "none other", self.owner, timezone.localdate())
        self.attempt(
            "decide",
            lambda: services.decide_disposition(self.case, actor=self.quality, password=PASSWORD, deciding=deciding),
        )

    @rule()
    def finish(self) -> None:
        if self.state not in ("action", "effectiveness", "closed"):
            return  # nobody owns an action yet
        given = {"action": "returned", "check_on": timezone.localdate()}
        self.attempt(
            "finish",
            lambda: services.finish_action(self.case.__class__.objects.get(pk=self.case.pk), actor=self.owner, **given),
        )

    @rule()
    def close(self) -> None:
        given = {"password": PASSWORD, "effectiveness": "did not come back"}
        self.attempt("close", lambda: services.close_nonconformance(self.case, actor=self.quality, **given))

    @rule()
    def cancel(self) -> None:
        self.attempt("cancel", lambda: services.cancel_nonconformance(self.case, actor=self.quality, reason="mistake"))

    @rule()
    def reopen(self) -> None:
        self.attempt("reopen", lambda: services.reopen_nonconformance(self.case, actor=self.quality, reason="again"))

    @invariant()
    def the_stored_state_is_the_expected_one_and_a_hold_stands_while_it_is_not_settled(self) -> None:
        self.case.refresh_from_db()
        assert self.case.state == self.state
        assert selectors.standing_holds("lot", self.case.subject_code).exists() == (self.state in STANDING)


def test_every_move_allowed_or_refused_keeps_to_the_table() -> None:
    run_state_machine_as_test(
        Course,
        settings=settings(
            max_examples=12,
            stateful_step_count=25,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            database=None,
        ),
    )
