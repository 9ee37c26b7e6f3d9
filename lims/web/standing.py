"""What the pages of lots and batches share: holds, nonconformances, verdicts, decisions, and the acts on them."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.cases import selectors as cases
from lims.cases import services as case_services
from lims.quality import selectors as quality
from lims.web.acts import RecordAct, states
from lims.web.forms.fields import ReasonForm, TextArea
from lims.web.forms.quality import ConcessionForm, SecondForm


class NonconformanceForm(forms.Form):
    """Open a nonconformance."""

    title = forms.CharField(label="What is wrong", max_length=200)
    description = TextArea(required=False)


class LiftForm(forms.Form):
    """Lift the oldest hold that stands."""

    reason = TextArea(label="Why the hold can go")


class DecideForm(forms.Form):
    """A decision that is signed; a reason where one is due."""

    reason = TextArea(required=False, help_text="Needed where something below asks for it.")
    password = forms.CharField(
        label="Your password", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )


def standing_context(kind: str, record: Any, standing: Any) -> dict[str, Any]:
    """What `quality/_standing.html` shows of a lot or a batch."""
    checks = [{"label": item.words, "caution": item.by_reason} for item in standing.missing]
    return {
        "standing": standing,
        "missing": checks if record.state == "under_test" else [],
        "holds": cases.holds_on(kind, record.code),
        "nonconformances": cases.nonconformances_about(kind, record.code),
        "verdicts": quality.verdicts_of(kind, record.code)[:50],
        "decisions": quality.decisions_of(kind, record.code),
        "concession": cases.concession_of(kind, record.code),
    }


def why_not_released(standing: Any) -> str:
    """The sentence that greys out a release; "" where it can be signed."""
    return " ".join(item.words for item in standing.blocking)


def _lift(record: Any, *, actor: Any, reason: str, key: str | None = None) -> Any:
    hold = cases.oldest_standing_hold(record.record_kind, record.code)
    return case_services.lift_hold(hold, actor=actor, reason=reason)


def _is_held(_user: Any, record: Any) -> bool:
    return bool(record.held)


CASE_ACTS = (
    RecordAct("hold", "Put on hold", "hold.place", case_services.place_hold, ReasonForm),
    RecordAct("lift-hold", "Lift the hold", "hold.lift", _lift, LiftForm, shown=_is_held),
    RecordAct(
        "open-nonconformance",
        "Open a nonconformance",
        "nonconformance.open",
        case_services.open_nonconformance,
        NonconformanceForm,
    ),
)


def concession_acts(kind: str, propose: Any, approve: Any) -> tuple[RecordAct, RecordAct]:
    """The two signatures of a concession, for a lot or a batch under test."""

    def waits(_user: Any, record: Any) -> bool:
        found = cases.concession_of(kind, record.code)
        return found is not None and not found.granted

    return (
        RecordAct(
            "propose-concession",
            "Accept under a concession",
            f"{kind}.concede",
            propose,
            ConcessionForm,
            states("under_test"),
            shown=lambda user, record: not waits(user, record),
            values=ConcessionForm.values,
            hint="The first of two signatures. Nothing changes until another person has signed, too.",
        ),
        RecordAct(
            "approve-concession",
            "Sign the concession",
            f"{kind}.concede",
            approve,
            SecondForm,
            states("under_test"),
            shown=waits,
            hint="The second of two signatures, by another person than the first.",
        ),
    )
