"""Forms about comparisons: choose the method, then the samples; change the question; include what is left out."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.comparisons.selectors import FIGURES, samples_to_compare
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


class MapForm(forms.Form):
    """The method whose samples are put on the map."""

    method: forms.ModelChoiceField[Any] = forms.ModelChoiceField(queryset=None, to_field_name="code", empty_label=None)

    def __init__(self, *args: Any, user: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["method"].queryset = method_versions_for(user).exclude(state="draft")  # type: ignore[attr-defined]
