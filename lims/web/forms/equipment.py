"""Forms for the equipment at the bench."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.core.quantities import mass_in_kg
from lims.formulations.selectors import EQUIPMENT_KINDS
from lims.web.forms.fields import DateField, NumberField, TextArea


class BenchEquipmentForm(forms.Form):
    """Take a balance, a mixer or another piece in."""

    kind = forms.ChoiceField(choices=EQUIPMENT_KINDS)
    name = forms.CharField(max_length=120, help_text="What people call it: fine balance, planetary mixer.")
    code = forms.CharField(
        required=False, max_length=20, help_text="Only where its label has one already: BAL-01, MIX-01, EQ-01."
    )
    maker = forms.CharField(max_length=120, required=False)
    type = forms.CharField(max_length=120, required=False)
    serial = forms.CharField(label="Serial number", max_length=80, required=False)
    location = forms.CharField(max_length=120, required=False)
    resolution = NumberField(
        label="Resolution, of a balance", unit="g", least=0, required=False, help_text="What it shows: 0.01."
    )
    needs_calibration = forms.BooleanField(label="It needs a calibration", required=False, initial=True)

    def values(self) -> dict[str, Any]:
        """What the service takes: the resolution in kg."""
        typed = self.cleaned_data["resolution"]
        kilograms = None if typed is None else mass_in_kg(typed, unit="g", field="resolution")
        return self.cleaned_data | {"resolution": kilograms}


class BenchCalibrationForm(forms.Form):
    """One calibration as its certificate says."""

    performed_on = DateField(label="Calibrated on")
    due = DateField(label="Holds until")
    certificate = forms.CharField(label="Number of the certificate", max_length=120)
    file = forms.FileField(label="Certificate as a file", required=False)
    found = TextArea(label="As found and as left", required=False, rows=2, max_length=400)
