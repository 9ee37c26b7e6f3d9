"""Forms about runs: the filter of the list, what is said with a file, windows, zeros, flags set aside."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.rigs.selectors import rigs_for
from lims.runs.selectors.runs import KINDS, STATES, applications_open, zero_choices
from lims.web.forms.fields import CodeField, DateField, NumberField, TextArea

SEVERE = "any"


class RunFilter(forms.Form):
    """What narrows the list of runs; stands in the address."""

    state = forms.ChoiceField(required=False, choices=[("", "all states"), *STATES])
    kind = forms.ChoiceField(required=False, choices=[("", "all kinds"), *KINDS])
    rig: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, required=False, to_field_name="code", empty_label="all rigs"
    )
    sample = CodeField("sample", required=False)
    person = forms.CharField(required=False, label="Sent by (user name)")
    flag = forms.ChoiceField(required=False, choices=[("", "with and without flags"), (SEVERE, "with a blocking flag")])
    since = DateField(required=False, label="From")
    until = DateField(required=False, label="To")

    def __init__(self, *args: Any, user: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rig"].queryset = rigs_for(user)  # type: ignore[attr-defined]

    @property
    def wanted(self) -> dict[str, Any]:
        """What is asked for; what cannot be read narrows nothing."""
        content = dict(self.cleaned_data) if self.is_valid() else {}
        rig = content.pop("rig", None)
        return {**content, "rig": rig.code if rig else ""}


class AboutForm(forms.Form):
    """What is said about a file; what is left blank is read from the file's own notes."""

    kind = forms.ChoiceField(required=False, choices=[("", "as the file says, else a sample run"), *KINDS])
    application: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None,
        required=False,
        to_field_name="code",
        empty_label="as the file says, or the only open one on its rig",
    )
    rig: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, required=False, to_field_name="code", empty_label="that of the application, or as the file says"
    )

    def __init__(self, *args: Any, user: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rig"].queryset = rigs_for(user)  # type: ignore[attr-defined]
        self.fields["application"].queryset = applications_open()  # type: ignore[attr-defined]
        self.fields["application"].label_from_instance = lambda a: f"{a.code} {a.sample.name} on {a.rig.name}"  # type: ignore[attr-defined]


class WindowForm(forms.Form):
    """Another settled window, chosen by hand."""

    start = NumberField(unit="s", least=0, label="From")
    end = NumberField(unit="s", least=0, label="To")
    reason = TextArea(label="Reason")


class ZerosForm(forms.Form):
    """Other zeros, chosen by hand."""

    zero: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, required=False, to_field_name="code", empty_label="none"
    )
    zero_after: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, required=False, to_field_name="code", empty_label="none", label="Zero after"
    )
    reason = TextArea(label="Reason")

    def __init__(self, *args: Any, run: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"zero": run.zero, "zero_after": run.zero_after}
        super().__init__(*args, **kwargs)
        for name in ("zero", "zero_after"):
            self.fields[name].queryset = zero_choices(run)  # type: ignore[attr-defined]


class SecondFileForm(forms.Form):
    """What a second logger recorded of the run."""

    file = forms.FileField(label="Second file", help_text="Its channels stand in the rig's configuration.")
    offset = NumberField(
        label="It began later by",
        unit="s",
        required=False,
        help_text="Less than zero where it began before. Empty: both files tell when they began.",
    )
    reason = TextArea(label="Reason", rows=2)


class OverrideForm(forms.Form):
    """Setting one blocking flag aside."""

    flag = forms.ChoiceField(choices=())
    reason = TextArea(label="Reason")

    def __init__(self, *args: Any, flags: list[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["flag"].choices = [(flag, flag.replace("_", " ")) for flag in flags]  # type: ignore[attr-defined]


class AbortForm(forms.Form):
    """An attempt that was broken off."""

    application = CodeField("application")
    reason = TextArea(label="Why it was broken off")
    file = forms.FileField(required=False, label="The file, where there is one")
