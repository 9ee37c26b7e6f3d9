"""States of a comparison."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class ComparisonState(TextChoices):
    DRAFT = "draft"
    CLOSED = "closed"


MACHINE = Machine(("close", (ComparisonState.DRAFT,), ComparisonState.CLOSED))
