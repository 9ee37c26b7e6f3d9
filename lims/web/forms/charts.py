"""Forms for control charts."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.core.errors import Refusal
from lims.core.quantities import quantity_choices
from lims.formulations.selectors import formulations
from lims.materials.kinds import PROPERTIES
from lims.materials.selectors import materials
from lims.quality.control import RULES
from lims.quality.services import subject_of
from lims.rigs.selectors import method_choices, rig_choices
from lims.web.forms.fields import CodeField, TextArea
from lims.web.forms.quality import password_field


class ChartForm(forms.Form):
    """What is watched."""

    subject = forms.ChoiceField(label="A rig, a material or a formulation")
    quantity = forms.ChoiceField()
    sample = CodeField("sample", label="Reference sample", required=False, help_text="For a rig.")
    method = forms.ChoiceField(label="Method", required=False, help_text="For a rig.")
    rules = forms.ChoiceField(
        label="Rules",
        choices=[(key, f"{name}: a false signal every {every:.0f} points") for key, (name, every) in RULES.items()],
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["subject"].choices = [  # type: ignore[attr-defined]
            ("", "choose"),
            ("a reference sample on", rig_choices()),
            ("lots of", [(m.code, m.name) for m in materials()]),
            ("batches of", [(f.code, f.name) for f in formulations()]),
        ]
        of_lots = [(p.key, f"{p.label} [{p.shown}]") for p in PROPERTIES.values()]
        self.fields["quantity"].choices = [  # type: ignore[attr-defined]
            ("", "choose"),
            ("of a lot", of_lots),
            ("of a sample or batch", [c for c in quantity_choices() if c[0] not in PROPERTIES]),
        ]
        self.fields["method"].choices = [("", "none"), *method_choices()]  # type: ignore[attr-defined]
        self.initial.setdefault("rules", "zones")

    def clean_subject(self) -> tuple[str, str]:
        """Kind and code."""
        try:
            return subject_of(self.cleaned_data["subject"])
        except Refusal as refusal:
            raise forms.ValidationError(refusal.message) from refusal

    def values(self) -> dict[str, Any]:
        """As the service takes it."""
        given = self.cleaned_data
        anchor = (given["sample"], given["method"]) if given["subject"][0] == "rig" else ("", "")
        return {"subject": given["subject"], "quantity": given["quantity"], "rules": given["rules"], "anchor": anchor}


class PhaseForm(forms.Form):
    """Which points fix the limits."""

    first = forms.IntegerField(label="From point", min_value=1, initial=1)
    last = forms.IntegerField(label="To point", min_value=2, initial=25, help_text="20 to 25 points are usual.")
    reason = TextArea(label="Why these")
    password = password_field()


class AnswerForm(forms.Form):
    """What was the matter."""

    answer = TextArea(label="What was the matter, and what was done", rows=2)
