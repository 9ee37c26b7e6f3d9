"""A claim as it is typed: each value beside its unit, none required."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.core.claims import KIND_CHOICES, STATED
from lims.web.forms.fields import CodeField, NumberField


class ClaimForm(forms.Form):
    """What is claimed; stands in the address, so that an answer can be passed on."""

    kind = forms.ChoiceField(label="Kind of material", required=False, choices=(("", "not said"), *KIND_CHOICES))
    sample = CodeField("sample", label="Sample measured here", required=False, help_text="Held against the claim.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for one in STATED:
            field = NumberField(label=one.label, required=False, unit=one.unit, help_text=one.hint)
            self.fields[one.name] = field
        self.order_fields([one.name for one in STATED[:3]] + ["kind", "sample"] + [one.name for one in STATED[3:]])

    @property
    def values(self) -> dict[str, float]:
        """What was stated, by name, each in its unit."""
        stated = {one.name: self.cleaned_data.get(one.name) for one in STATED}
        return {name: float(value) for name, value in stated.items() if value is not None}
