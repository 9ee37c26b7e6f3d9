"""States of a lot. Expired, depleted and on hold are derived when read, never stored."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class LotState(TextChoices):
    QUARANTINE = "quarantine"
    UNDER_TEST = "under_test", "under test"
    RELEASED = "released"
    RESTRICTED = "restricted"
    REJECTED = "rejected"
    DISPOSED = "disposed"
    VOID = "void"


_S = LotState
MACHINE = Machine(
    ("start_test", (_S.QUARANTINE,), _S.UNDER_TEST),
    ("release", (_S.UNDER_TEST,), _S.RELEASED),
    ("restrict", (_S.UNDER_TEST,), _S.RESTRICTED),
    ("reject", (_S.UNDER_TEST,), _S.REJECTED),
    ("reassess", (_S.RELEASED, _S.RESTRICTED), _S.UNDER_TEST),
    ("withdraw_release", (_S.RELEASED, _S.RESTRICTED), _S.QUARANTINE),
    ("dispose", (_S.REJECTED, _S.QUARANTINE), _S.DISPOSED),
    ("void", (_S.QUARANTINE,), _S.VOID),
)
USABLE = (_S.RELEASED, _S.RESTRICTED)
