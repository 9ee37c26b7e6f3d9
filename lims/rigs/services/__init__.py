"""What may be done with blocks, rigs, sensors, calibrations and methods: one module a subject."""

from lims.rigs.services.authorizations import grant_authorization, withdraw_authorization
from lims.rigs.services.calibrations import approve_calibration, calibrate, turn_down_calibration
from lims.rigs.services.checks import record_check, schedule_check
from lims.rigs.services.configurations import Blocks, ChannelSpec, configure_rig, renew_configuration
from lims.rigs.services.equipment import (
    add_sensor,
    change_rig,
    create_block,
    create_rig,
    note_rig,
    return_rig,
    take_rig_out,
)
from lims.rigs.services.methods import (
    approve_method_version,
    create_method,
    draft_method_version,
    edit_method_version,
    retire_method_version,
)

__all__ = [
    "Blocks",
    "ChannelSpec",
    "add_sensor",
    "approve_calibration",
    "approve_method_version",
    "calibrate",
    "change_rig",
    "configure_rig",
    "create_block",
    "create_method",
    "create_rig",
    "draft_method_version",
    "edit_method_version",
    "grant_authorization",
    "note_rig",
    "record_check",
    "renew_configuration",
    "retire_method_version",
    "return_rig",
    "schedule_check",
    "take_rig_out",
    "turn_down_calibration",
    "withdraw_authorization",
]
