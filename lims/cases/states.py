"""States of a nonconformance."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class NonconformanceState(TextChoices):
    OPEN = "open"
    CLOSED = "closed"
    CANCELLED = "cancelled"


MACHINE = Machine(
    ("close", (NonconformanceState.OPEN,), NonconformanceState.CLOSED),
    ("cancel", (NonconformanceState.OPEN,), NonconformanceState.CANCELLED),
)
