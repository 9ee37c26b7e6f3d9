"""States of a nonconformance."""

from types import MappingProxyType

from django.db.models import TextChoices

from lims.core.machines import Machine


class NonconformanceState(TextChoices):
    OPEN = "open"
    PHASE_1 = "phase_1", "first look"
    PHASE_2 = "phase_2", "review"
    DISPOSITION = "disposition"
    ACTION = "action"
    EFFECTIVENESS = "effectiveness"
    CLOSED = "closed"
    CANCELLED = "cancelled"


_S = NonconformanceState
MACHINE = Machine(
    ("start", (_S.OPEN,), _S.PHASE_1),
    ("find_cause", (_S.PHASE_1,), _S.DISPOSITION),
    ("find_no_cause", (_S.PHASE_1,), _S.PHASE_2),
    ("conclude", (_S.PHASE_2,), _S.DISPOSITION),
    ("decide", (_S.DISPOSITION,), _S.ACTION),
    ("finish", (_S.ACTION,), _S.EFFECTIVENESS),
    ("close", (_S.EFFECTIVENESS,), _S.CLOSED),
    ("cancel", (_S.OPEN,), _S.CANCELLED),
    ("reopen", (_S.CLOSED,), _S.PHASE_2),
)
# every state in which the matter is not settled
STANDING = tuple(state for state in _S if state not in (_S.CLOSED, _S.CANCELLED))

# What is looked at before anything is repeated; each item is answered by a person, with what was seen.
CHECKLIST = MappingProxyType(
    {
        "rig": "The rig: blocks, faces, coolant and force were as the method asks",
        "zero": "The zero of the gap sensor: taken before, young enough, on clean blocks",
        "calibration": "Calibrations in force on that day",
        "arithmetic": "The file, its units, the window and the arithmetic",
        "weighing": "The weighings: lots, masses and what was seen at the bench",
        "mix_up": "The sample is the one it is said to be",
    }
)
