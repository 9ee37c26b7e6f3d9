"""What may be done with formulations and batches: one module a group of acts."""

from lims.formulations.services.batches import (
    abort_batch,
    finish_batch,
    plan_batch,
    plan_exploratory_batch,
    promote_batch,
    rework_batch,
    start_batch_test,
)
from lims.formulations.services.correcting import correction_for
from lims.formulations.services.equipment import add_equipment, note_calibration, set_service
from lims.formulations.services.parts import LimitOfTest, LineSpec, StepSpec
from lims.formulations.services.processing import begin_step, do_step
from lims.formulations.services.testing import OPEN as TESTED_IN
from lims.formulations.services.testing import add_batch_photo, add_batch_test
from lims.formulations.services.versions import (
    abandon_version,
    approve_version,
    copy_formulation,
    create_formulation,
    edit_draft,
    new_version,
    return_version,
    set_test_limits,
    submit_version,
    withdraw_version,
)
from lims.formulations.services.weighing import (
    check_weighing,
    close_weighing,
    correct_weighing,
    skip_line,
    weigh,
    what_stops_closing,
)

__all__ = [
    "TESTED_IN",
    "LimitOfTest",
    "LineSpec",
    "StepSpec",
    "abandon_version",
    "abort_batch",
    "add_batch_photo",
    "add_batch_test",
    "add_equipment",
    "approve_version",
    "begin_step",
    "check_weighing",
    "close_weighing",
    "copy_formulation",
    "correct_weighing",
    "correction_for",
    "create_formulation",
    "do_step",
    "edit_draft",
    "finish_batch",
    "new_version",
    "note_calibration",
    "plan_batch",
    "plan_exploratory_batch",
    "promote_batch",
    "return_version",
    "rework_batch",
    "set_service",
    "set_test_limits",
    "skip_line",
    "start_batch_test",
    "submit_version",
    "weigh",
    "what_stops_closing",
    "withdraw_version",
]
