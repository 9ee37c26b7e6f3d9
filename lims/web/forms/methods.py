"""Forms for methods."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.rigs.selectors import AUTHORIZATION_NEEDS, reduction_choices
from lims.web.forms.fields import NumberField, TextArea
from lims.web.forms.samples import MomentField
from lims.web.forms.values import shown, shown_spread, si, si_spread

UNITS = {
    "area": ("mm^2", "area"),
    "heater_power": ("W", "power"),
    "force": ("N", "force"),
    "coolant_temperature": ("degC", "temperature"),
    "min_duration": ("s", "time"),
    "max_slope": ("K/min", "temperature_rate"),
    "soak": ("s", "time"),
    "heater_power_tolerance": ("%", "ratio"),
    "force_tolerance": ("%", "ratio"),
}
SPREADS = {"coolant_tolerance": ("K", "temperature_difference")}


class VersionForm(forms.Form):
    """What "matched" means: the content of a method version."""

    reason = forms.CharField(label="What is new and why", max_length=400, required=False)
    area = NumberField(label="Area of the face", unit="mm^2", least=0)
    surface = forms.CharField(label="Surface class", max_length=60, help_text="The finish both blocks must have.")
    heater_power = NumberField(unit="W", least=0, required=False)
    heater_power_tolerance = NumberField(label="Tolerance of the power", unit="%", least=0, initial="1")
    force = NumberField(unit="N", least=0, required=False)
    force_tolerance = NumberField(label="Tolerance of the force", unit="%", least=0, initial="2")
    coolant_temperature = NumberField(unit="degC", required=False)
    coolant_tolerance = NumberField(label="Tolerance of the coolant", unit="K", least=0, initial="0.5")
    soak = NumberField(label="Time under force before heating", unit="s", least=0, initial="0")
    min_duration = NumberField(label="Settled for at least", unit="s", least=0, initial="180")
    max_slope = NumberField(
        label="Settled below a slope of", unit="K/min", least=0, initial="0.05", help_text="Of the temperature rise."
    )
    repeats = forms.IntegerField(
        label="Applications to be ranked", min_value=1, max_value=99, initial=3, help_text="Per sample."
    )
    reduction_method = forms.ChoiceField(label="Reduced by")
    authorization = forms.ChoiceField(label="Who may work by it", choices=AUTHORIZATION_NEEDS, required=False)
    document = TextArea(label="How it is done", required=False, rows=6)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reduction_method"].choices = reduction_choices()  # type: ignore[attr-defined]

    def content(self) -> dict[str, Any]:
        """What the service takes, in SI."""
        data = {name: self.cleaned_data[name] for name in VersionForm.base_fields}
        for name, (unit, of) in UNITS.items():
            data[name] = si(data[name], unit=unit, of=of)
        for name, (unit, of) in SPREADS.items():
            data[name] = si_spread(data[name], unit=unit, of=of)
        return data


class MethodForm(VersionForm):
    """Begin a method with its first version."""

    name = forms.CharField(max_length=200)
    scope = TextArea(required=False, rows=2, help_text="What it is for, and what not.")
    field_order = ("name", "scope")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["reason"]

    def values(self) -> dict[str, Any]:
        """What the service takes, in SI."""
        self.cleaned_data["reason"] = ""
        return {"name": self.cleaned_data["name"], "scope": self.cleaned_data["scope"], **self.content()}


class ApproveForm(forms.Form):
    """Approve a version."""

    effective_from = MomentField(label="In force from", required=False, help_text="Empty: from now on.")
    reason = TextArea(label="Remarks", required=False, rows=2)


def version_initial(version: Any) -> dict[str, Any]:
    """A version as the form of the next one shows it."""
    initial = {name: getattr(version, name) for name in VersionForm.base_fields}
    for name, (unit, of) in UNITS.items():
        initial[name] = shown(initial[name], unit=unit, of=of)
    for name, (unit, of) in SPREADS.items():
        initial[name] = shown_spread(initial[name], unit=unit, of=of)
    return initial
