"""Holds on a record, as routes: the same two acts for every noun that can be held."""

from __future__ import annotations

from lims.api.acts import ReasonSerializer, RouteAct
from lims.cases.services import lift_oldest_hold, place_hold

HOLD_ACTS = (
    RouteAct("hold", "hold.place", place_hold, ReasonSerializer),
    RouteAct("lift-hold", "hold.lift", lift_oldest_hold, ReasonSerializer),
)
