"""States of a method version, a calibration and a rig."""

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


class CalibrationState(TextChoices):
    PROPOSED = "proposed"
    IN_FORCE = "in_force", "in force"
    TURNED_DOWN = "turned_down", "turned down"


CALIBRATION_MACHINE = Machine(
    ("approve", (CalibrationState.PROPOSED,), CalibrationState.IN_FORCE),
    ("turn_down", (CalibrationState.PROPOSED,), CalibrationState.TURNED_DOWN),
)


class RigState(TextChoices):
    IN_SERVICE = "in_service", "in service"
    OUT_OF_SERVICE = "out_of_service", "out of service"


RIG_MACHINE = Machine(
    ("take_out", (RigState.IN_SERVICE,), RigState.OUT_OF_SERVICE),
    ("return", (RigState.OUT_OF_SERVICE,), RigState.IN_SERVICE),
)
