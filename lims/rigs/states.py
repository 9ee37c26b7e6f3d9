"""States of a method version and of a rig."""

from django.db.models import TextChoices

from lims.core.machines import Machine


class MethodState(TextChoices):
    DRAFT = "draft"
    APPROVED = "approved"
    RETIRED = "retired"


METHOD_MACHINE = Machine(
    ("approve", (MethodState.DRAFT,), MethodState.APPROVED),
    ("retire", (MethodState.APPROVED,), MethodState.RETIRED),
)


class RigState(TextChoices):
    IN_SERVICE = "in_service", "in service"
    OUT_OF_SERVICE = "out_of_service", "out of service"


RIG_MACHINE = Machine(
    ("take_out", (RigState.IN_SERVICE,), RigState.OUT_OF_SERVICE),
    ("return", (RigState.OUT_OF_SERVICE,), RigState.IN_SERVICE),
)
