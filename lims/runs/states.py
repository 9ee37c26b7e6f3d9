"""States of an application, a run and a reduction."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class ApplicationState(TextChoices):
    PLANNED = "planned"
    APPLIED = "applied"
    SETTLED = "settled"
    MEASURED = "measured"
    TORN_DOWN = "torn_down", "torn down"
    VOID = "void"


_A = ApplicationState
APPLICATION_MACHINE = Machine(
    ("apply", (_A.PLANNED,), _A.APPLIED),
    ("settle", (_A.APPLIED,), _A.SETTLED),
    ("measure", (_A.APPLIED, _A.SETTLED, _A.MEASURED), _A.MEASURED),
    ("tear_down", (_A.MEASURED, _A.SETTLED, _A.APPLIED), _A.TORN_DOWN),
    ("void", (_A.PLANNED, _A.APPLIED, _A.SETTLED), _A.VOID),
)


class RunState(TextChoices):
    RECEIVING = "receiving"
    CHECKING = "checking"
    ACCEPTED = "accepted"
    UNQUALIFIED = "unqualified"
    REFUSED = "refused"
    ABORTED = "aborted"
    INVALIDATED = "invalidated"
    LOCKED = "locked"


_R = RunState
RUN_MACHINE = Machine(
    ("check", (_R.RECEIVING,), _R.CHECKING),
    ("accept", (_R.CHECKING, _R.UNQUALIFIED), _R.ACCEPTED),
    ("doubt", (_R.CHECKING,), _R.UNQUALIFIED),
    ("refuse", (_R.CHECKING,), _R.REFUSED),
    ("complete", (_R.REFUSED,), _R.CHECKING),
    ("invalidate", (_R.ACCEPTED, _R.LOCKED), _R.INVALIDATED),
    ("lock", (_R.ACCEPTED,), _R.LOCKED),
)


class ReductionState(TextChoices):
    QUEUED = "queued"
    REDUCING = "reducing"
    REDUCED = "reduced"
    FAILED = "failed"


_D = ReductionState
REDUCTION_MACHINE = Machine(
    ("claim", (_D.QUEUED, _D.REDUCING), _D.REDUCING),
    ("finish", (_D.REDUCING,), _D.REDUCED),
    ("fail", (_D.REDUCING,), _D.FAILED),
    ("retry", (_D.FAILED,), _D.QUEUED),
)


class TestPlanState(TextChoices):
    __test__ = False  # not for pytest to collect

    DRAFT = "draft"
    ACCEPTED = "accepted"
    FINISHED = "finished"
    ABANDONED = "abandoned"


_T = TestPlanState
TEST_PLAN_MACHINE = Machine(
    ("accept", (_T.DRAFT,), _T.ACCEPTED),
    ("finish", (_T.ACCEPTED,), _T.FINISHED),
    ("abandon", (_T.DRAFT, _T.ACCEPTED), _T.ABANDONED),
)
