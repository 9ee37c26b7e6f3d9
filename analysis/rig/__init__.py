"""What a rig is, found from runs made for it: heat loss, expansion, offset of the sensors, compliance, repeatability.

What these give becomes the rig's values, dated and with uncertainty, once a named person accepts it.
"""

from __future__ import annotations

from analysis.rig.compliance import frame_compliance
from analysis.rig.floor import repeatability
from analysis.rig.lines import gap_expansion, loss_conductance
from analysis.rig.offset import sensor_offset

__all__ = ["frame_compliance", "gap_expansion", "loss_conductance", "repeatability", "sensor_offset"]
