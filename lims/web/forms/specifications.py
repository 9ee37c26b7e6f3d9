"""Forms for specifications and nonconformances."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms

from lims.core.quantities import quantity_choices
from lims.formulations.selectors import formulations
from lims.materials.kinds import PROPERTIES
from lims.materials.selectors import materials
from lims.specifications.selectors import shown_unit_of
from lims.specifications.services import LimitSpec
from lims.web.forms.fields import NumberField, TextArea


class SpecificationForm(forms.Form):
    """What the limits are for, and the rule by which they are applied."""

    name = forms.CharField(max_length=200)
    subject = forms.ChoiceField(label="Lots of a material, or batches of a formulation")
    guard_factor = NumberField(
        label="Guard band, as a multiple of U", initial="1", least=0, most=5, help_text="0 is simple acceptance."
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["subject"].choices = [  # type: ignore[attr-defined]
            ("", "choose"),
            ("lots of", [(m.code, m.name) for m in materials()]),
            ("batches of", [(f.code, f.name) for f in formulations()]),
        ]


class RuleForm(forms.Form):
    """The rule of a version."""

    guard_factor = NumberField(
        label="Guard band, as a multiple of U", initial="1", least=0, most=5, help_text="0 is simple acceptance."
    )


class LimitForm(forms.Form):
    """One limit."""

    quantity = forms.ChoiceField()
    lower = NumberField(required=False)
    upper = NumberField(required=False)
    unit = forms.CharField(required=False, max_length=20)
    results_required = forms.IntegerField(label="Results asked", initial=1, min_value=1)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        of_lots = [(p.key, f"{p.label} [{p.shown}]") for p in PROPERTIES.values()]
        self.fields["quantity"].choices = [  # type: ignore[attr-defined]
            ("", ""),
            ("of a lot", of_lots),
            ("of a batch", [c for c in quantity_choices() if c[0] not in PROPERTIES]),
        ]


def limits_of(rows: Iterable[dict[str, Any]]) -> list[LimitSpec]:
    """Rows of the page as the service takes them; a blank unit is the one the quantity is shown in."""
    return [
        LimitSpec(
            row["quantity"],
            row["unit"] or shown_unit_of(row["quantity"]),
            lower=None if row["lower"] is None else float(row["lower"]),
            upper=None if row["upper"] is None else float(row["upper"]),
            results_required=row["results_required"],
        )
        for row in rows
    ]


class ApproveForm(forms.Form):
    """Approve a specification."""

    effective_from = forms.DateTimeField(
        label="In force from",
        required=False,
        help_text="Leave blank for now.",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}),
    )
    password = forms.CharField(
        label="Your password", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )


class CloseForm(forms.Form):
    """Close a nonconformance."""

    cause = TextArea(label="Cause")
    action = TextArea(label="What was done")
