"""States of a specification version."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class SpecificationState(TextChoices):
    DRAFT = "draft"
    APPROVED = "approved"
    WITHDRAWN = "withdrawn"


MACHINE = Machine(
    ("approve", (SpecificationState.DRAFT,), SpecificationState.APPROVED),
    ("withdraw", (SpecificationState.APPROVED,), SpecificationState.WITHDRAWN),
)
