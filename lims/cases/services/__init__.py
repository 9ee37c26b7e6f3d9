"""What is done about things out of order: holds, nonconformances, plans of repeats, concessions."""

from lims.cases.services.concessions import Scope, approve_concession, propose_concession, take_from_concession
from lims.cases.services.holds import lift_hold, lift_oldest_hold, place_hold, refuse_if_held
from lims.cases.services.nonconformances import (
    Cause,
    Deciding,
    Second,
    cancel_nonconformance,
    check_item,
    close_nonconformance,
    conclude_review,
    decide_disposition,
    find_cause,
    find_no_cause,
    finish_action,
    open_nonconformance,
    reopen_nonconformance,
    start_investigation,
)
from lims.cases.services.repeats import Repeats, plan_repeats, take_repeat

__all__ = [
    "Cause",
    "Deciding",
    "Repeats",
    "Scope",
    "Second",
    "approve_concession",
    "cancel_nonconformance",
    "check_item",
    "close_nonconformance",
    "conclude_review",
    "decide_disposition",
    "find_cause",
    "find_no_cause",
    "finish_action",
    "lift_hold",
    "lift_oldest_hold",
    "open_nonconformance",
    "place_hold",
    "plan_repeats",
    "propose_concession",
    "refuse_if_held",
    "reopen_nonconformance",
    "start_investigation",
    "take_from_concession",
    "take_repeat",
]
