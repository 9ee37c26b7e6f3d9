"""How each state looks: a kind, drawn as one shape. The word always stands beside it; colour only supports."""

from __future__ import annotations

KINDS: dict[str, tuple[str, ...]] = {
    "draft": ("draft", "planned", "registered", "proposed", "posed"),
    "waiting": ("quarantine", "waiting", "queued", "in_review", "retained", "open", "made", "receiving"),
    "working": (
        "under_test",
        "weighing",
        "processing",
        "in_test",
        "checking",
        "reducing",
        "phase_1",
        "phase_2",
        "disposition",
        "action",
        "effectiveness",
        "applied",
        "sending",
        "working",
        "running",
    ),
    "ready": ("held", "settled", "computed", "received", "info", "in_use", "in_service", "in_force", "available"),
    "good": (
        "released",
        "approved",
        "effective",
        "accepted",
        "reduced",
        "measured",
        "issued",
        "locked",
        "success",
        "done",
        "good",
        "pass",
        "valid",
        "in_calibration",
        "current",
        "final",
        "finished",
    ),
    "caution": (
        "restricted",
        "unqualified",
        "caution",
        "cautions",
        "warning",
        "provisional",
        "conditional_pass",
        "conditional_fail",
        "due",
        "stale",
        "not_evaluable",
        "tainted",
        "signal",
    ),
    "stopped": ("hold", "on_hold", "held_back", "blocks", "stopped", "refused", "out_of_service", "locked_out"),
    "bad": ("rejected", "failed", "fail", "error", "bad", "invalidated", "expired", "overdue"),
    "past": (
        "superseded",
        "withdrawn",
        "void",
        "abandoned",
        "aborted",
        "disposed",
        "consumed",
        "depleted",
        "torn_down",
        "closed",
        "cancelled",
        "reworked",
        "past",
        "retired",
        "left_out",
    ),
}
KIND_OF = {state: kind for kind, states in KINDS.items() for state in states}


def kind_of(state: str) -> str:
    """The kind of shape for a state, severity or message level; "note" for one not known here."""
    return KIND_OF.get(state.lower().replace(" ", "_").replace("-", "_"), "note")


def label_of(state: str) -> str:
    """The words for a state that brings no label of its own."""
    return state.replace("_", " ")
