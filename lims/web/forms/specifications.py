"""Forms for specifications."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms

from lims.core.quantities import quantity_choices
from lims.formulations.selectors import formulations
from lims.materials.kinds import PROPERTIES
from lims.materials.selectors import materials
from lims.specifications.selectors import shown_unit_of
from lims.specifications.services import LimitSpec, RuleSpec
from lims.web.forms.fields import NumberField

GUARD = NumberField(
    label="Guard band, as a multiple of U", initial="1", least=0, most=5, help_text="0 is simple acceptance."
)
RISK = NumberField(
    label="Or: greatest risk of a wrong acceptance",
    required=False,
    least=0.000001,
    most=0.5,
    help_text="A probability, such as 0.05. Where given, it rules instead of the guard band.",
)


def rule_of(cleaned: dict[str, Any]) -> RuleSpec:
    """The rule of a version as the service takes it."""
    risk, guard = cleaned.get("risk"), cleaned["guard_factor"]
    return {"guard_factor": float(guard), "risk": _number(risk)}


class SpecificationForm(forms.Form):
    """What the limits are for, and the rule by which they are applied."""

    name = forms.CharField(max_length=200)
    subject = forms.ChoiceField(label="Lots of a material, or batches of a formulation")
    guard_factor = GUARD
    risk = RISK

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["subject"].choices = [  # type: ignore[attr-defined]
            ("", "choose"),
            ("lots of", [(m.code, m.name) for m in materials()]),
            ("batches of", [(f.code, f.name) for f in formulations()]),
        ]


class RuleForm(forms.Form):
    """The rule of a version."""

    guard_factor = GUARD
    risk = RISK


class LimitForm(forms.Form):
    """One limit."""

    quantity = forms.ChoiceField()
    lower = NumberField(required=False)
    upper = NumberField(required=False)
    unit = forms.CharField(required=False, max_length=20)
    results_required = forms.IntegerField(label="Results asked", initial=1, min_value=1)
    basis = forms.ChoiceField(label="Judged", choices=[("each", "each result"), ("mean", "their mean")], required=False)
    warn_lower = NumberField(label="Warn below", required=False)
    warn_upper = NumberField(label="Warn above", required=False)

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
            results_required=row["results_required"],
            basis=row.get("basis") or "each",
            lower=_number(row["lower"]),
            upper=_number(row["upper"]),
            warn_lower=_number(row.get("warn_lower")),
            warn_upper=_number(row.get("warn_upper")),
        )
        for row in rows
    ]


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


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
