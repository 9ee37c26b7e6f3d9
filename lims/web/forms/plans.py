"""Forms of plans of applications."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from lims.core.codes import expect_kind
from lims.core.errors import Refusal
from lims.rigs.selectors import effective_versions
from lims.web.forms.fields import CodeField, DateField, NumberField, TextArea


class CodesField(forms.CharField):
    """Several codes of one kind, scanned or typed one after another; gives the plain codes, each once."""

    def __init__(self, kind: str, **kwargs: Any) -> None:
        self.kind = kind
        attributes = {"rows": 4, "autocomplete": "off", "spellcheck": "false", "data-scan": kind}
        super().__init__(widget=forms.Textarea(attrs=attributes), **kwargs)

    def clean(self, value: Any) -> Any:
        # a printed code carries its check character after a space: a single character belongs to the code before it
        text = re.sub(r"\s+([0-9A-Za-z])(?=[\s,;]|$)", r" \1", super().clean(value) or "")
        parts = [part.strip() for part in re.split(r"[,;\n\r]+|\s+(?=[A-Za-z]{1,3}-|https?:)", text) if part.strip()]
        found, wrong = [], []
        for part in parts:
            try:
                found.append(expect_kind(part, self.kind))
            except Refusal as refusal:
                wrong.append(refusal.message)
        if wrong:
            raise ValidationError(wrong)
        return list(dict.fromkeys(found))


class RigsField(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]  # not generic at run time
    """Rigs to choose among."""

    widget = forms.CheckboxSelectMultiple

    def label_from_instance(self, rig: Any) -> str:
        return f"{rig.code} {rig.name}"


class DrawForm(forms.Form):
    """What a plan is drawn from."""

    title = forms.CharField(max_length=200, label="What it is for")
    method_version: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        label="Method", queryset=None, to_field_name="code", help_text="Only approved versions in force are offered."
    )
    samples = CodesField("sample", label="Samples", help_text="Scan or type their codes one after another.")
    reference = CodeField(
        "sample",
        label="Reference sample",
        required=False,
        help_text="Put on once in every block. Leave empty for none.",
    )
    rigs = RigsField(queryset=None, to_field_name="code")
    replicates = forms.IntegerField(label="Applications of each sample", min_value=1, max_value=40, initial=3)
    days = forms.IntegerField(min_value=1, max_value=60, initial=3)
    per_block = forms.IntegerField(
        label="Applications on one rig within one day", min_value=1, max_value=40, initial=5,
        help_text="The reference aside. One rig on one day is a block.",
    )  # fmt: skip
    first_day = DateField(label="First day", required=False)
    seed = NumberField(
        label="Seed of the draw", required=False, least=0, most=2**31 - 1,
        help_text="Leave it empty: it is drawn and kept. Type one to draw a plan again.",
    )  # fmt: skip

    def __init__(self, *args: Any, rigs: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["method_version"].queryset = effective_versions()  # type: ignore[attr-defined]
        self.fields["rigs"].queryset = rigs  # type: ignore[attr-defined]
        self.fields["rigs"].use_fieldset = True  # type: ignore[attr-defined]

    def clean_seed(self) -> int | None:
        """The seed as a whole number."""
        seed = self.cleaned_data["seed"]
        if seed is not None and seed != int(seed):
            raise ValidationError("A whole number is expected.")
        return None if seed is None else int(seed)


class FirstDayForm(forms.Form):
    """When a plan begins."""

    first_day = DateField(label="First day", required=False, help_text="Empty: as planned, or today.")


class OutOfOrderForm(forms.Form):
    """Why a line is put on before its turn."""

    out_of_order = TextArea(
        label="Why out of order", required=False, rows=2, help_text="Only where an earlier line of this rig waits."
    )
