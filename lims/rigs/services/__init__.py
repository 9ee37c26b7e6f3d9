"""What may be done with blocks, rigs, sensors, calibrations and methods: one module a subject."""

from lims.rigs.services.calibrations import calibrate
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
    "approve_method_version",
    "calibrate",
    "change_rig",
    "configure_rig",
    "create_block",
    "create_method",
    "create_rig",
    "draft_method_version",
    "edit_method_version",
    "note_rig",
    "renew_configuration",
    "retire_method_version",
    "return_rig",
    "take_rig_out",
]
