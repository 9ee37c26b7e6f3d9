"""Forms for checks between calibrations and for authorizations."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms

from lims.rigs.checks import KINDS, UNITS
from lims.web.forms.fields import DateField, NumberField, TextArea
from lims.web.forms.samples import MomentField
from lims.web.forms.values import si_spread


class ScheduleForm(forms.Form):
    """Ask for a check every so often, or no longer."""

    every = NumberField(label="Every", unit="h", least=0, required=False, help_text="Empty: no longer asked for.")
    limit = NumberField(label="Limit either way", least=0)
    reason = TextArea(label="Reason", rows=2)

    def __init__(self, *args: Any, kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kind = kind
        self.fields["limit"].unit = UNITS[kind][0]  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        """What the service takes, in SI."""
        unit, of = UNITS[self.kind]
        every = self.cleaned_data["every"]
        return {
            "kind": self.kind,
            "every": timedelta(hours=float(every)) if every else None,
            "limit": si_spread(self.cleaned_data["limit"], unit=unit, of=of),
            "reason": self.cleaned_data["reason"],
        }


class CheckForm(forms.Form):
    """Keep what a check found: one deviation for each sensor it reads."""

    done_at = MomentField(label="Done", required=False, help_text="Empty: now.")
    u = NumberField(label="Standard uncertainty of each", least=0)
    remarks = TextArea(label="How it was done, remarks", required=False, rows=2)
    evidence = forms.FileField(label="Record", required=False)

    def __init__(self, *args: Any, kind: str, names: list[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kind, self.names = kind, names
        unit = UNITS[kind][0]
        self.fields["u"].unit = unit  # type: ignore[attr-defined]
        for number, name in enumerate(names):
            label = f"Deviation of {name}" if len(names) > 1 else "Deviation"
            self.fields[f"value_{number}"] = NumberField(
                label=label, unit=unit, help_text="Found less what it should be."
            )
        self.order_fields([f"value_{number}" for number in range(len(names))])

    def values(self) -> dict[str, Any]:
        """What the service takes, in SI; the record is still a file."""
        unit, of = UNITS[self.kind]
        data = self.cleaned_data
        return {
            "kind": self.kind,
            "values": {n: si_spread(data[f"value_{i}"], unit=unit, of=of) for i, n in enumerate(self.names)},
            "u": si_spread(data["u"], unit=unit, of=of),
            "done_at": data["done_at"],
            "remarks": data["remarks"],
            "evidence": data["evidence"],
        }


class AuthorizationForm(forms.Form):
    """Say that a person may work by a method or on a rig."""

    person = forms.CharField(label="Person (user name)", max_length=150)
    subject = forms.CharField(
        label="Method, version or rig", max_length=16, help_text="M-004 for every version, M-004/2 for one, RIG-02."
    )
    evidence = TextArea(label="What shows it", rows=2, help_text="Training, supervised runs, a proficiency result.")
    evidence_file = forms.FileField(label="Record", required=False)
    expires_on = DateField(label="Until", help_text="The last day.")


CHECK_KINDS = KINDS
