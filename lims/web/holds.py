"""Holds on a record's page: put it on hold, lift a hold. The same two acts for every noun that can be held."""

from __future__ import annotations

from typing import Any

from lims.cases.selectors import standing_holds
from lims.cases.services import lift_oldest_hold, place_hold
from lims.web.acts import RecordAct
from lims.web.forms.fields import ReasonForm


def _is_held(_user: Any, record: Any) -> bool:
    return standing_holds(record.record_kind, record.record_code).exists()


HOLD_ACTS = (
    RecordAct(
        "hold",
        "Put on hold",
        "hold.place",
        place_hold,
        ReasonForm,
        hint="It stays in its state and cannot go forward until the hold is lifted.",
    ),
    RecordAct(
        "lift-hold",
        "Lift a hold",
        "hold.lift",
        lift_oldest_hold,
        ReasonForm,
        shown=_is_held,
        hint="Lifts the hold that has stood longest. Not by the person who placed it.",
    ),
)
