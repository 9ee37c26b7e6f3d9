"""The administrators' view of rigs, calibrations and methods: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.rigs.models import (
    Block,
    Calibration,
    ConfigurationChannel,
    Method,
    MethodVersion,
    Rig,
    RigConfiguration,
    RigNote,
    Sensor,
)

admin.site.register(
    [Block, Rig, RigNote, RigConfiguration, ConfigurationChannel, Sensor, Calibration, Method, MethodVersion],
    ReadOnlyAdmin,
)
