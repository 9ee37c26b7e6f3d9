"""Forms about comparisons: choose the method, then the samples; change the question; include what is left out."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.comparisons.selectors import FIGURES, SPREADS, samples_to_compare
from lims.rigs.selectors import method_versions_for
from lims.web.forms.fields import NumberField, TextArea


class MethodForm(forms.Form):
    """The method whose conditions count as matched."""

    method: forms.ModelChoiceField[Any] = forms.ModelChoiceField(queryset=None, to_field_name="code", label="Method")

    def __init__(self, *args: Any, user: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["method"].queryset = method_versions_for(user).exclude(state="draft")  # type: ignore[attr-defined]


class SampleChoice(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]  # not generic at run time
    """Samples with how many applications each has."""

    widget = forms.CheckboxSelectMultiple

    def label_from_instance(self, sample: Any) -> str:
        marks = " (exploratory batch)" if sample.batch and sample.batch.exploratory else ""
        words = "application" if sample.applied == 1 else "applications"
        return f"{sample.code} {sample.name}{marks}: {sample.measured} measured of {sample.applied} {words}"


class QuestionForm(forms.Form):
    """What is asked of the samples measured under one method."""

    title = forms.CharField(max_length=200, label="Question in a few words")
    question = TextArea(label="What it is for", required=False)
    samples = SampleChoice(queryset=None, to_field_name="code", label="Samples")
    figure = forms.ChoiceField(choices=FIGURES, initial="temperature_rise", label="Ranked by")
    reference: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, to_field_name="code", required=False, empty_label="none", label="Set against the reference"
    )
    confidence = NumberField(unit="%", least=50, most=99.9, initial=95, label="Confidence of all intervals together")

    def __init__(self, *args: Any, version: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        samples = samples_to_compare(version)
        self.fields["samples"].queryset = samples  # type: ignore[attr-defined]
        self.fields["reference"].queryset = samples  # type: ignore[attr-defined]
        self.fields["samples"].use_fieldset = True  # type: ignore[attr-defined]


class InclusionForm(forms.Form):
    """A sample to be ranked although something speaks against it."""

    sample: forms.ModelChoiceField[Any] = forms.ModelChoiceField(queryset=None, to_field_name="code")
    reason = TextArea(label="Reason")

    def __init__(self, *args: Any, comparison: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["sample"].queryset = comparison.samples.order_by("code")  # type: ignore[attr-defined]


class TakesForm(forms.Form):
    """Two samples of a comparison: which one shall draw level, and with which."""

    sample: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, to_field_name="code", empty_label=None, label="Sample"
    )
    target: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, to_field_name="code", empty_label=None, label="To draw level with"
    )

    def __init__(self, *args: Any, comparison: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("sample", "target"):
            self.fields[name].queryset = comparison.samples.order_by("code")  # type: ignore[attr-defined]


class StatisticsForm(forms.Form):
    """How the numbers are looked at; what is supposed here never enters a report."""

    spread = forms.ChoiceField(choices=SPREADS, initial="test", required=False, label="Spread between applications")
    margin = NumberField(least=0, required=False, label="Same within")
    force_tolerance = NumberField(unit="%", least=0, most=100, required=False, label="Suppose pressure within")
    heat_flow_tolerance = NumberField(unit="%", least=0, most=100, required=False, label="Suppose heat flow within")
    coolant_tolerance = NumberField(unit="K", least=0, most=100, required=False, label="Suppose coolant within")

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["margin"].unit = unit  # type: ignore[attr-defined]

    def supposed(self) -> dict[str, Any]:
        """What was chosen, tolerances as shares or in kelvin."""
        given = self.cleaned_data
        plain = {"spread": given["spread"] or "test", "margin": _number(given["margin"])}
        shares = {key: _number(given[key], 100) for key in ("force_tolerance", "heat_flow_tolerance")}
        return plain | shares | {"coolant_tolerance": _number(given["coolant_tolerance"])}


def _number(value: Any, parts: int = 1) -> float | None:
    return None if value is None else float(value) / parts


class MapForm(forms.Form):
    """The method whose samples are put on the map."""

    method: forms.ModelChoiceField[Any] = forms.ModelChoiceField(queryset=None, to_field_name="code", empty_label=None)

    def __init__(self, *args: Any, user: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["method"].queryset = method_versions_for(user).exclude(state="draft")  # type: ignore[attr-defined]
