"""Forms for rigs, blocks, sensors and calibrations."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from django import forms
from django.utils import timezone

from lims.rigs.selectors import (
    BLOCK_ROLES,
    HEAT_FLOWS,
    NOTE_KINDS,
    coolant_choices,
    quantity_choices,
    sensors_of,
    signal_choices,
    tolerance_choices,
)
from lims.rigs.services import ChannelSpec
from lims.web.forms.fields import CodeField, DateField, NumberField, TextArea
from lims.web.forms.samples import MomentField
from lims.web.forms.values import shown, shown_spread, si, si_spread

# field of a form -> unit it is typed in, quantity or dimension
BLOCK_UNITS = {
    "area": ("mm^2", "area"),
    "area_u": ("mm^2", "area"),
    "conductivity": ("W/(m*K)", "conductivity"),
    "conductivity_u": ("W/(m*K)", "conductivity"),
    "roughness": ("um", "roughness"),
    "flatness": ("um", "flatness"),
}
CONFIGURATION_UNITS = {
    "loss_conductance": ("W/K", "conductance"),
    "loss_conductance_u": ("W/K", "conductance"),
    "gap_resolution": ("um", "length"),
    "gap_expansion": ("um/K", "expansion"),
    "gap_expansion_u": ("um/K", "expansion"),
    "zero_max_drift": ("um", "length"),
}


if TYPE_CHECKING:
    _FormSet = forms.BaseFormSet[Any]
else:
    _FormSet = forms.BaseFormSet


class EquipmentForm(forms.Form):
    """What is kept of every piece of equipment."""

    maker = forms.CharField(max_length=120, required=False)
    type = forms.CharField(max_length=120, required=False)
    serial = forms.CharField(label="Serial number", max_length=80, required=False)
    location = forms.CharField(max_length=120, required=False)
    software = forms.CharField(label="Software and firmware", max_length=200, required=False)
    acceptance = TextArea(label="Acceptance evidence", required=False, rows=2)
    remarks = TextArea(required=False, rows=2)


class RigForm(EquipmentForm):
    """Take a rig in."""

    name = forms.CharField(max_length=60)
    location = forms.CharField(max_length=120)
    time_zone = forms.CharField(
        label="Time zone of its computer", max_length=60, help_text="Europe/Vienna, or UTC for a clock set to UTC."
    )
    field_order = ("name", "location", "time_zone")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["time_zone"].initial = timezone.get_current_timezone_name()


class ChangeRigForm(RigForm):
    """Change what is known of a rig."""

    needs_authorization = forms.BooleanField(label="Only authorized persons may use it", required=False)

    reason = TextArea(label="Reason", rows=2)


class BlockForm(EquipmentForm):
    """Take a block in."""

    name = forms.CharField(max_length=120)
    role = forms.ChoiceField(label="Side", choices=BLOCK_ROLES)
    metal = forms.CharField(max_length=60, help_text="copper, aluminium, nickel-plated copper")
    finish = forms.CharField(label="Surface class", max_length=60, help_text="lapped, ground; the method names it")
    area = NumberField(label="Area of the face", unit="mm^2", least=0)
    area_u = NumberField(label="Standard uncertainty of the area", unit="mm^2", least=0, required=False)
    conductivity = NumberField(unit="W/(m*K)", least=0)
    conductivity_u = NumberField(
        label="Standard uncertainty of the conductivity", unit="W/(m*K)", least=0, required=False
    )
    roughness = NumberField(label="Roughness Ra", unit="um", least=0, required=False)
    flatness = NumberField(label="Flatness over the face", unit="um", least=0, required=False)
    uses_allowed = forms.IntegerField(label="Uses allowed", min_value=1, required=False)
    field_order = ("name", "role", "metal", "finish", "area", "area_u", "conductivity", "conductivity_u", "roughness")

    def values(self) -> dict[str, Any]:
        """What the service takes, in SI."""
        data = dict(self.cleaned_data)
        for name, (unit, of) in BLOCK_UNITS.items():
            data[name] = si(data[name], unit=unit, of=of)
        for name in ("area_u", "conductivity_u"):
            data[name] = data[name] or 0.0
        return data


class NoteRigForm(forms.Form):
    """Add to a rig's log."""

    kind = forms.ChoiceField(choices=NOTE_KINDS)
    text = TextArea(label="What was done or seen")
    on = DateField(label="On", required=False, help_text="Empty: today.")


class SensorForm(forms.Form):
    """Add a sensor to a rig."""

    serial = forms.CharField(label="Serial number", max_length=80)
    quantity = forms.ChoiceField(label="Measures")
    signal = forms.ChoiceField(
        label="Its column holds",
        required=False,
        help_text="A temperature, or what the meter of a thermometer measures.",
    )
    tolerance_class = forms.ChoiceField(
        label="Tolerance class", required=False, help_text="Its limit of error then counts in every budget."
    )
    description = forms.CharField(max_length=200, required=False)
    maker = forms.CharField(max_length=120, required=False)
    type = forms.CharField(max_length=120, required=False)
    location = forms.CharField(max_length=120, required=False)
    acceptance = TextArea(label="Acceptance evidence", required=False, rows=2)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["quantity"].choices = [row for row in quantity_choices() if row[0] != "time"]  # type: ignore[attr-defined]
        self.fields["signal"].choices = signal_choices()  # type: ignore[attr-defined]
        classes = [("", "none: calibrated"), *((name, name) for name in tolerance_choices())]
        self.fields["tolerance_class"].choices = classes  # type: ignore[attr-defined]


class CalibrationForm(forms.Form):
    """Enter a calibration of one sensor."""

    valid_from = MomentField(label="In force from", required=False, help_text="Empty: from now on.")
    due_on = DateField(label="Due on", help_text="The last day on which the sensor may be used.")
    unit = forms.CharField(max_length=20, help_text="Of the calibrated value: degC, N, um, W.")
    gain = NumberField(initial="1", help_text="calibrated = gain · reading + offset")
    offset = NumberField(initial="0", help_text="In the unit.")
    u = NumberField(label="Standard uncertainty", least=0, help_text="Of the calibrated value, in the unit: U / 2.")
    as_found = forms.CharField(label="As found", max_length=200, required=False)
    as_left = forms.CharField(label="As left", max_length=200, required=False)
    limits = forms.CharField(label="Acceptance limits", max_length=200, required=False)
    error_found = NumberField(
        label="Found off by", required=False, help_text="Calibrated reading as found less the reference, in the unit."
    )
    error_allowed = NumberField(
        label="Allowed", least=0, required=False, help_text="Largest error either way, in the unit."
    )
    reference = forms.CharField(label="Reference standard", max_length=200)
    certificate_number = forms.CharField(label="Certificate number", max_length=80, required=False)
    certificate = forms.FileField(required=False)

    def values(self) -> dict[str, Any]:
        """What the service takes; the certificate is still a file."""
        data = dict(self.cleaned_data)
        data["valid_from"] = data["valid_from"] or timezone.now()
        typed = ("gain", "offset", "u", "error_found", "error_allowed")
        return data | {name: None if data[name] is None else float(data[name]) for name in typed}


class ConfigurationForm(forms.Form):
    """What a rig is from a time on, but for its channels."""

    reason = TextArea(label="What is new and why", rows=2)
    valid_from = MomentField(label="In force from", required=False, help_text="Empty: from now on.")
    hot_block = CodeField("block", label="Heater block")
    cold_block = CodeField("block", label="Cooled block")
    heat_flow = forms.ChoiceField(label="Heat flow by", choices=HEAT_FLOWS)
    coolant = forms.ChoiceField(label="Coolant", choices=coolant_choices, required=False)
    coolant_share = NumberField(
        label="Share of glycol", unit="%", least=0, required=False, help_text="Of the mass. Empty for water."
    )
    coolant_share_u = NumberField(
        label="Its standard uncertainty  ",
        unit="%",
        least=0,
        required=False,
        help_text="Empty: 1 %, as off a refractometer.",
    )
    loss_conductance = NumberField(label="Loss conductance", unit="W/K", least=0, initial="0")
    loss_conductance_u = NumberField(label="Its standard uncertainty", unit="W/K", least=0, initial="0")
    gap_resolution = NumberField(label="Resolution of the gap", unit="um", least=0, initial="0.1")
    gap_expansion = NumberField(label="Expansion of the gap reading", unit="um/K", initial="0")
    gap_expansion_u = NumberField(label="Its standard uncertainty ", unit="um/K", least=0, initial="0")
    zero_max_age = NumberField(label="A zero is young for", unit="h", least=0, initial="8")
    zero_max_drift = NumberField(label="Largest drift of the zero", unit="um", least=0, initial="1")
    null_temperatures = forms.BooleanField(
        label="The zero was isothermal: subtract its temperature difference", required=False
    )

    def clean(self) -> dict[str, Any]:
        """A mixture needs its share."""
        data = super().clean() or {}
        if data.get("coolant") not in (None, "", "water") and data.get("coolant_share") is None:
            self.add_error("coolant_share", "Write the share of glycol of the mass.")
        return data

    def values(self) -> dict[str, Any]:
        """What the service takes, in SI; the blocks are still codes."""
        data = dict(self.cleaned_data)
        share, u = data.pop("coolant_share"), data.pop("coolant_share_u")
        data["coolant"] = data["coolant"] or "water"
        mixed = data["coolant"] != "water"
        data["coolant"] = f"{data['coolant']} {float(share):g} %" if mixed else data["coolant"]
        data["coolant_share_u"] = float(u) / 100 if mixed and u is not None else None
        for name, (unit, of) in CONFIGURATION_UNITS.items():
            data[name] = si_spread(data[name], unit=unit, of=of)
        data["zero_max_age"] = timedelta(hours=float(data["zero_max_age"]))
        return data


def configuration_initial(last: Any) -> dict[str, Any]:
    """A configuration as the form of the next one shows it."""
    initial = {
        "hot_block": last.hot_block.code,
        "cold_block": last.cold_block.code,
        "heat_flow": last.heat_flow,
        "zero_max_age": f"{last.zero_max_age / timedelta(hours=1):g}",
        "null_temperatures": last.null_temperatures,
        **_coolant_initial(last),
    }
    for name, (unit, of) in CONFIGURATION_UNITS.items():
        initial[name] = shown_spread(getattr(last, name), unit=unit, of=of)
    return initial


def _coolant_initial(last: Any) -> dict[str, str]:
    """`ethylene glycol 30 %` as its two fields show it."""
    if last.coolant == "water":
        return {"coolant": "water"}
    name, share = last.coolant.removesuffix("%").strip().rsplit(" ", 1)
    u = last.coolant_share_u
    return {"coolant": name, "coolant_share": share, "coolant_share_u": f"{100 * u:g}" if u is not None else ""}


class ChannelForm(forms.Form):
    """One column of a rig's files."""

    column = forms.CharField(max_length=80)
    quantity = forms.ChoiceField(label="Holds")
    sensor: forms.ModelChoiceField[Any] = forms.ModelChoiceField(queryset=None, required=False, empty_label="none")
    unit = forms.CharField(max_length=20, required=False)
    depth = NumberField(unit="mm", least=0, required=False)
    depth_u = NumberField(label="Uncertainty of the depth", unit="mm", least=0, required=False)
    pair = forms.CharField(max_length=8, required=False)
    cold_junction = forms.CharField(label="Cold junction", max_length=80, required=False)

    def __init__(self, *args: Any, rig: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # empty at first, so that a row nobody touched counts as empty
        self.fields["quantity"].choices = [("", "choose"), *quantity_choices()]  # type: ignore[attr-defined]
        self.fields["sensor"].queryset = sensors_of(rig)  # type: ignore[attr-defined]

    def spec(self) -> ChannelSpec:
        """The channel as the service takes it."""
        data = dict(self.cleaned_data)
        data.pop("DELETE", None)
        depths = {name: si(data[name], unit="mm", of="depth") for name in ("depth", "depth_u")}
        return ChannelSpec(**data | depths | {"depth_u": depths["depth_u"] or 0.0})


class BaseChannelForms(_FormSet):
    """The columns of a rig's files, one a row."""

    def add_fields(self, form: Any, index: int | None) -> None:
        super().add_fields(form, index)
        for name, field in form.fields.items():
            field.widget.attrs["aria-label"] = f"{field.label or name.capitalize()} of row {(index or 0) + 1}"


ChannelForms = forms.formset_factory(ChannelForm, formset=BaseChannelForms, extra=4, max_num=60, can_delete=True)


def channels_initial(last: Any) -> list[dict[str, Any]]:
    """The channels of a configuration as the form of the next one shows them."""
    return [
        {
            "column": channel.column,
            "quantity": channel.quantity,
            "sensor": channel.sensor_id,
            "unit": channel.unit,
            "depth": shown(channel.depth, unit="mm", of="depth"),
            "depth_u": shown(channel.depth_u or None, unit="mm", of="depth"),
            "pair": channel.pair,
            "cold_junction": channel.cold_junction,
        }
        for channel in last.channels.all()
    ]
