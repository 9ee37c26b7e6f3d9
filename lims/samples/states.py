"""States of a sample."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class SampleState(TextChoices):
    REGISTERED = "registered"
    HELD = "held"
    IN_TEST = "in_test", "in test"
    RETAINED = "retained"
    CONSUMED = "consumed"
    DISPOSED = "disposed"
    REFUSED = "refused"
    VOID = "void"


_S = SampleState
MACHINE = Machine(
    ("take", (_S.REGISTERED,), _S.HELD),
    ("refuse", (_S.REGISTERED,), _S.REFUSED),
    ("start_test", (_S.HELD,), _S.IN_TEST),
    ("return", (_S.IN_TEST,), _S.HELD),
    ("use_up", (_S.IN_TEST,), _S.CONSUMED),
    ("split", (_S.HELD,), _S.HELD),
    ("retain", (_S.HELD,), _S.RETAINED),
    ("release_for_retest", (_S.RETAINED,), _S.HELD),
    ("dispose", (_S.HELD, _S.RETAINED, _S.CONSUMED), _S.DISPOSED),
    ("void", (_S.REGISTERED,), _S.VOID),
)
APPLICABLE = (_S.HELD, _S.IN_TEST)
