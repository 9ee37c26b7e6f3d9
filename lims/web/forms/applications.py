"""Forms for applications."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.core.quantities import mass_in_kg
from lims.rigs.selectors import effective_versions
from lims.runs.selectors.applications import WHEN
from lims.runs.states import ApplicationState
from lims.web.forms.fields import CodeField, NumberField, TextArea
from lims.web.forms.values import shown, si

UNITS = {
    "stop": ("um", "gap"),
    "force": ("N", "force"),
    "dwell": ("s", "time"),
    "ambient_temperature": ("degC", "ambient_temperature"),
}


SAID = ("blocks_cleaned", "coolant_steady", "cleaning", "pattern", "cure", "departure", "remarks")


class ScanForm(forms.Form):
    """What goes on which rig: two scans."""

    sample = CodeField("sample", label="Sample")
    rig = CodeField("rig", label="Rig")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # a scanner types where the cursor stands: the first box that is still empty
        given = (args[0] if args else None) or self.initial
        first = next((name for name in self.fields if not given.get(name)), "sample")
        self.fields[first].widget.attrs["autofocus"] = ""


class FacesForm(forms.Form):
    """The method and the two surfaces."""

    method_version: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        label="Method", queryset=None, to_field_name="code", help_text="Only approved versions in force are offered."
    )
    hot_block = CodeField("block", label="Heater block", help_text="Scan its label.")
    cold_block = CodeField("block", label="Cooled block", help_text="Scan its label.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["method_version"].queryset = effective_versions()  # type: ignore[attr-defined]


class PlanForm(ScanForm, FacesForm):
    """Plan an application."""

    remarks = TextArea(required=False, rows=2)
    field_order = ("sample", "rig", "method_version", "hot_block", "cold_block", "remarks")


class ApplyForm(forms.Form):
    """Put the material on."""

    blocks_cleaned = forms.BooleanField(label="Both blocks are clean and dry", required=False)
    coolant_steady = forms.BooleanField(label="The coolant runs and is steady", required=False)
    cleaning = forms.CharField(max_length=200, help_text="How both faces were cleaned.")
    amount = NumberField(least=0, unit="g")
    pattern = forms.CharField(max_length=60, help_text="one dot, cross, lines, sheet")
    force = NumberField(least=0, unit="N", help_text="The pressure follows from force and face.")
    stop = NumberField(label="Spacer or stop", least=0, unit="um", required=False)
    dwell = NumberField(label="Time under force", least=0, unit="s", required=False)
    cure = forms.CharField(label="Cure profile", max_length=200, required=False)
    ambient_temperature = NumberField(unit="degC", required=False)
    departure = forms.CharField(
        label="Departure from the method, and why",
        max_length=400,
        required=False,
        help_text="Needed for a sample past its limits or a force off the method.",
    )
    remarks = TextArea(required=False, rows=2)

    def expect(self, version: Any) -> None:
        """Fill in and expect the force the method asks for."""
        force = getattr(version, "force", None)
        if force is not None:
            self.fields["force"].initial = shown(force, unit="N", of="force")
            self.fields["force"].expect(force)  # type: ignore[attr-defined]

    def apply_values(self) -> dict[str, Any]:
        """What the service takes, in SI."""
        data = {name: self.cleaned_data[name] for name in SAID}
        for name, (unit, of) in UNITS.items():
            data[name] = si(self.cleaned_data[name], unit=unit, of=of)
        data["amount"] = mass_in_kg(self.cleaned_data["amount"], unit="g", field="amount")
        return data


class BenchForm(FacesForm, ApplyForm):
    """At the bench: method, surfaces and material in one go."""

    field_order = ("method_version", "hot_block", "cold_block")


class LineForm(BenchForm):
    """At the bench, for a line of a plan: its method, and why where the order is left."""

    out_of_order = forms.CharField(
        label="Why out of order",
        max_length=400,
        required=False,
        help_text="Only where an earlier line of this rig waits.",
    )
    field_order = ("method_version", "hot_block", "cold_block", "out_of_order")  # type: ignore[assignment]


class TearDownForm(forms.Form):
    """Take the joint apart."""

    coverage = NumberField(label="Covered part of the face", unit="%", least=0, most=100)
    photo = forms.FileField(
        label="Photograph of the faces", required=False, widget=forms.FileInput(attrs={"accept": "image/*"})
    )
    remarks = TextArea(required=False, rows=2)

    def values(self) -> dict[str, Any]:
        """What the service takes; the photograph is still a file."""
        return {**self.cleaned_data, "coverage": si(self.cleaned_data["coverage"], unit="%", of="mass_fraction")}


class PhotoForm(forms.Form):
    """A photograph of an application."""

    photo = forms.FileField(
        label="Photograph", widget=forms.FileInput(attrs={"accept": "image/*", "capture": "environment"})
    )
    when = forms.ChoiceField(label="Taken", choices=WHEN)
    words = forms.CharField(label="What it shows", max_length=200, required=False)


class ApplicationFilter(forms.Form):
    """Narrow the list of applications."""

    text = forms.CharField(label="Code or sample", required=False, help_text="Also the code of a rig.")
    state = forms.ChoiceField(choices=[("", "any"), *ApplicationState.choices], required=False)
