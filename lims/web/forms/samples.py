"""Forms for samples."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from lims.core.codes import parse_code
from lims.core.errors import Refusal
from lims.core.quantities import MASS_UNITS, mass_in_kg, to_si
from lims.samples.selectors import KINDS, ORIGINS, holders
from lims.samples.states import SampleState
from lims.web.forms.fields import CodeField, DateField, NumberField, TextArea
from lims.web.forms.values import si

SOURCES = ("batch", "lot")


class MomentField(forms.DateTimeField):
    """A date and a time in the laboratory's zone, by the browser's own picker."""

    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")


class SourceField(forms.CharField):
    """The code of a batch or of a lot, scanned or typed; empty for a sample from outside."""

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return {**super().widget_attrs(widget), "autocomplete": "off", "spellcheck": "false", "data-scan": "batch lot"}

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        try:
            kind, code = parse_code(text)
        except Refusal as refusal:
            raise ValidationError(refusal.message, code=refusal.code) from refusal
        if kind.name not in SOURCES:
            words = f"{code} is {kind.article} {kind.name}; a batch or a lot is expected here."
            raise ValidationError(words, code="wrong-kind")
        return kind.name, code


class SampleForm(forms.Form):
    """Register a sample and take it into custody, in one page."""

    source = SourceField(
        label="Taken from",
        required=False,
        help_text="Scan or type the batch or the lot. Leave it empty for a sample from outside.",
    )
    name = forms.CharField(max_length=200, required=False, help_text="Filled from the batch or the lot if left empty.")
    taken_at = MomentField(label="Taken at")
    amount = NumberField(least=0)
    unit = forms.ChoiceField(label="Unit of the amount", choices=MASS_UNITS, initial="g")
    container = forms.CharField(max_length=120, help_text="syringe 10 mL")
    condition = forms.CharField(max_length=200, help_text="What it looks like: even, no bleed.")
    location = forms.CharField(max_length=120, help_text="Where it is kept: cabinet 2, shelf 3.")
    material_kind = forms.ChoiceField(label="Kind", choices=KINDS, required=False)
    place = forms.CharField(
        label="Place of sampling", max_length=120, required=False, help_text="top, middle, bottom, after n hours"
    )
    plan = forms.CharField(label="Sampling plan", max_length=200, required=False)
    storage = forms.CharField(label="Storage condition", max_length=120, required=False)
    expires_on = DateField(label="Expires on", required=False)
    hold_limit_hours = NumberField(label="Longest time before test", unit="h", least=0, required=False)
    equipment = forms.CharField(max_length=200, required=False)
    deviations = TextArea(required=False, rows=2)
    reference = forms.BooleanField(label="A reference sample: it anchors a rig's control chart", required=False)
    blind = forms.BooleanField(
        label="Blind: known by its code alone", required=False,
        help_text="Name and origin are kept apart until quality reveals them, after the results are locked.",
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["taken_at"].initial = lambda: timezone.localtime().replace(second=0, microsecond=0)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not data.get("source") and not data.get("name", "").strip() and "source" not in self.errors:
            self.add_error("name", "A sample from outside needs a name.")
        return data

    def values(self) -> dict[str, Any]:
        """What the service takes; `source` is still a kind and a code."""
        data = dict(self.cleaned_data)
        data["amount"] = mass_in_kg(data["amount"], unit=data.pop("unit"), field="amount")
        hours = data["hold_limit_hours"]
        data["hold_limit_hours"] = None if hours is None else float(hours)
        return data


class SheetsForm(SampleForm):
    """Register sheets of several thicknesses at once; mass and thickness stand in the rows below."""

    amount = unit = blind = None  # type: ignore[assignment]

    def values(self) -> dict[str, Any]:
        """What the service takes; `source` is still a kind and a code."""
        hours = self.cleaned_data["hold_limit_hours"]
        return {**self.cleaned_data, "hold_limit_hours": None if hours is None else float(hours)}


class SheetForm(forms.Form):
    """One sheet."""

    amount = NumberField(label="Mass", unit="g", least=0)
    nominal = NumberField(label="Nominal thickness", unit="mm", least=0)
    measured = NumberField(label="Measured thickness", unit="mm", least=0, required=False)
    u = NumberField(label="Standard uncertainty", unit="mm", least=0, required=False)


def sheet_of(row: dict[str, Any]) -> dict[str, Any]:
    """One row as the service takes it, in SI."""
    length = {name: si(row[name], unit="mm", of="length") for name in ("nominal", "measured", "u")}
    return {"amount": mass_in_kg(row["amount"], unit="g", field="amount"), **length}


class MoveForm(forms.Form):
    """Move a sample, or hand it over."""

    location = forms.CharField(label="To", max_length=120)
    holder: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        label="Hand over to", queryset=None, required=False, empty_label="nobody: it stays with the same person"
    )
    condition = forms.CharField(max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["holder"].queryset = holders()  # type: ignore[attr-defined]


class NoteForm(forms.Form):
    """Note what was done with a sample."""

    kind = forms.ChoiceField(
        label="What was done", choices=[("open", "opened"), ("thaw", "thawed"), ("degas", "degassed")]
    )
    condition = forms.CharField(max_length=200, required=False)


class ExcursionForm(forms.Form):
    """A time outside the storage condition."""

    temperature = NumberField(
        label="Furthest temperature", unit="degC", help_text="The one furthest from the storage condition."
    )
    duration = NumberField(label="For how long", unit="h", least=0)
    since = MomentField(label="Began at", required=False, help_text="Empty: it ended just now.")
    reason = TextArea(label="How it came to that", rows=2, max_length=200)

    def values(self) -> dict[str, Any]:
        """What the service takes, in SI."""
        data = self.cleaned_data
        return data | {
            "temperature": to_si(float(data["temperature"]), unit="degC", of="temperature", field="temperature"),
            "duration": to_si(float(data["duration"]), unit="h", of="time", field="duration"),
        }


class PlaceForm(forms.Form):
    """Where a sample is put, and what it looks like."""

    location = forms.CharField(max_length=120)
    condition = forms.CharField(max_length=200, required=False)


class TakeForm(PlaceForm):
    """Take a registered sample into custody."""

    location = forms.CharField(max_length=120, required=False, help_text="Empty: the place it was registered with.")


class SplitForm(forms.Form):
    """Put a portion into a container of its own."""

    amount = NumberField(least=0, unit="g")
    container = forms.CharField(max_length=120)
    location = forms.CharField(max_length=120, required=False)

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        return {**self.cleaned_data, "amount": mass_in_kg(self.cleaned_data["amount"], unit="g", field="amount")}


class RetainForm(forms.Form):
    """Put a sample aside."""

    location = forms.CharField(max_length=120)
    keep_until = DateField(label="Keep until")


class PermitForm(forms.Form):
    """Permit a sample on a block whose metal it attacks."""

    block = CodeField("block")
    reason = TextArea(label="Why, and how the harm is kept away")


class SampleFilter(forms.Form):
    """Narrow the list of samples."""

    text = forms.CharField(label="Code or name", required=False, help_text="Also the code of a batch or a lot.")
    state = forms.ChoiceField(choices=[("", "any"), *SampleState.choices], required=False)
    origin = forms.ChoiceField(choices=[("", "any"), *ORIGINS], required=False)
    series = forms.CharField(required=False, help_text="Code of the first sheet.")
