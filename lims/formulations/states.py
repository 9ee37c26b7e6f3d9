"""States of a formulation version and of a batch."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class VersionState(TextChoices):
    DRAFT = "draft"
    IN_REVIEW = "in_review", "in review"
    APPROVED = "approved"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"
    ABANDONED = "abandoned"


_V = VersionState
VERSION_MACHINE = Machine(
    ("submit", (_V.DRAFT,), _V.IN_REVIEW),
    ("return", (_V.IN_REVIEW,), _V.DRAFT),
    ("approve", (_V.IN_REVIEW,), _V.APPROVED),
    ("supersede", (_V.APPROVED,), _V.SUPERSEDED),
    ("withdraw", (_V.APPROVED, _V.SUPERSEDED), _V.WITHDRAWN),
    ("abandon", (_V.DRAFT,), _V.ABANDONED),
)


class BatchState(TextChoices):
    PLANNED = "planned"
    WEIGHING = "weighing"
    PROCESSING = "processing"
    MADE = "made"
    UNDER_TEST = "under_test", "under test"
    RELEASED = "released"
    RESTRICTED = "restricted"
    REJECTED = "rejected"
    REWORKED = "reworked"
    ABORTED = "aborted"


_B = BatchState
BATCH_MACHINE = Machine(
    ("weigh", (_B.PLANNED, _B.WEIGHING), _B.WEIGHING),
    ("close_weighing", (_B.WEIGHING,), _B.PROCESSING),
    ("do_step", (_B.PROCESSING,), _B.PROCESSING),
    ("finish", (_B.PROCESSING,), _B.MADE),
    ("start_test", (_B.MADE,), _B.UNDER_TEST),
    ("release", (_B.UNDER_TEST,), _B.RELEASED),
    ("restrict", (_B.UNDER_TEST,), _B.RESTRICTED),
    ("reject", (_B.UNDER_TEST, _B.MADE), _B.REJECTED),
    ("rework", (_B.REJECTED, _B.MADE), _B.REWORKED),
    ("abort", (_B.PLANNED, _B.WEIGHING, _B.PROCESSING), _B.ABORTED),
)
SAMPLED_FROM = (_B.MADE, _B.UNDER_TEST, _B.RELEASED, _B.RESTRICTED, _B.REJECTED)
