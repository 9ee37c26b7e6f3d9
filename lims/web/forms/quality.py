"""Forms for nonconformances and concessions."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.accounts.selectors import get_person_named
from lims.cases.services import Cause, Deciding, Repeats, Scope, Second
from lims.cases.states import CHECKLIST
from lims.web.forms.fields import DateField, NumberField, TextArea

CAUSES = (
    ("", "choose"),
    ("material", "material"),
    ("weighing", "weighing"),
    ("process", "process"),
    ("rig", "rig"),
    ("method", "method"),
    ("person", "handling"),
    ("unknown", "not known"),
)
DISPOSITIONS = (
    ("", "choose"),
    ("release", "release"),
    ("concession", "concession"),
    ("rework", "rework"),
    ("regrade", "regrade"),
    ("return", "return to supplier"),
    ("reject", "reject"),
    ("none", "nothing to decide"),
)


REPEATS = (("retest", "retest: the same sample"), ("resample", "resample: a new sample of the batch"))


def password_field(label: str = "Your password") -> forms.CharField:
    """The password anew."""
    return forms.CharField(label=label, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}))


class PersonField(forms.CharField):
    """A person by user name; gives the account."""

    def clean(self, value: Any) -> Any:
        name = super().clean(value)
        found = get_person_named(name) if name else None
        if name and found is None:
            raise forms.ValidationError(f"There is no account {name} in use.")
        return found


class ItemForm(forms.Form):
    """One item of the checklist."""

    item = forms.ChoiceField(label="What was looked at", choices=list(CHECKLIST.items()))
    seen = TextArea(label="What was seen", rows=2)
    in_order = forms.BooleanField(label="It was in order", required=False)


class CauseForm(forms.Form):
    """An assignable cause, with evidence and a second person."""

    cause_kind = forms.ChoiceField(label="Kind of cause", choices=CAUSES)
    cause = TextArea(label="Cause")
    evidence = forms.FileField(label="Evidence", help_text="A photograph, a file, a certificate: what shows the cause.")
    second = PersonField(label="Second person, by user name")
    second_password = password_field("The second person's password")
    password = password_field()

    @staticmethod
    def values(form: Any) -> dict[str, Any]:
        """As the service takes it."""
        given = form.cleaned_data
        return {
            "password": given["password"],
            "second": Second(given["second"], given["second_password"]),
            "found": Cause(given["cause_kind"], given["cause"], given["evidence"]),
        }


class InvalidateForm(forms.Form):
    """Set a result aside: why, and two persons."""

    reason = TextArea(label="Reason", rows=2)
    second = PersonField(label="Second person, by user name")
    second_password = password_field("The second person's password")
    password = password_field()

    @staticmethod
    def values(form: Any) -> dict[str, Any]:
        """As the service takes it."""
        given = form.cleaned_data
        second = Second(given["second"], given["second_password"])
        return {"reason": given["reason"], "password": given["password"], "second": second}


class FindingForm(forms.Form):
    """What the first look found."""

    finding = TextArea(label="Finding")


class ReviewForm(FindingForm):
    """What the review found: all results and the most likely cause."""

    cause_kind = forms.ChoiceField(label="Kind of cause", choices=CAUSES)
    cause = TextArea(label="Most likely cause")


class RepeatsForm(forms.Form):
    """A plan of repeats, before there are data."""

    kind = forms.ChoiceField(
        label="What is repeated",
        choices=[("retest", "retest: the same sample"), ("resample", "resample: a new sample")],
    )
    number = forms.IntegerField(label="How many", min_value=1, max_value=20, initial=3)
    basis = forms.ChoiceField(label="What is judged", choices=[("each", "each result"), ("mean", "their mean")])
    acceptance = TextArea(label="How it is judged, all results counted", rows=2)
    runner = PersonField(label="Who makes them, by user name")
    why = TextArea(label="For a resample: why the first sample was not like its batch", rows=2, required=False)
    password = password_field()

    @staticmethod
    def values(form: Any) -> dict[str, Any]:
        """As the service takes it."""
        given = dict(form.cleaned_data)
        return {"password": given.pop("password"), "repeats": Repeats(**given)}


class DispositionForm(forms.Form):
    """What is done with the subject."""

    disposition = forms.ChoiceField(label="What is done with it", choices=DISPOSITIONS)
    impact = TextArea(label="What else it touches, and who was told")
    owner = PersonField(label="Who acts, by user name")
    due_on = DateField(label="Until")
    password = password_field()

    @staticmethod
    def values(form: Any) -> dict[str, Any]:
        """As the service takes it."""
        given = dict(form.cleaned_data)
        return {"password": given.pop("password"), "deciding": Deciding(**given)}


class ActionForm(forms.Form):
    """What was done."""

    action = TextArea(label="What was done")
    check_on = DateField(label="Its effect is looked at on")


class CloseForm(forms.Form):
    """What came of the action."""

    effectiveness = TextArea(label="What the action achieved, and how that was seen")
    password = password_field()


class ConcessionForm(forms.Form):
    """Accept within a scope."""

    formulations = forms.CharField(
        label="For formulations", required=False, help_text="Codes, divided by commas; blank for any."
    )
    mass = NumberField(label="At most", unit="kg", required=False, least=0.000001)
    until = DateField(label="Until")
    reason = TextArea(label="Reason")
    password = password_field()

    @staticmethod
    def values(form: Any) -> dict[str, Any]:
        """As the service takes it."""
        given = form.cleaned_data
        codes = tuple(code.strip().upper() for code in given["formulations"].split(",") if code.strip())
        scope = Scope(given["until"], codes, given["mass"])
        return {"password": given["password"], "reason": given["reason"], "scope": scope}


class SecondForm(forms.Form):
    """The second signature."""

    password = password_field()
