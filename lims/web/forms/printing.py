"""Forms of labels: what to print, and formats."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from lims.core.codes import parse_code
from lims.core.errors import Refusal
from lims.core.labels import MOST
from lims.samples.selectors import FORMAT_FIELDS, MEDIA
from lims.web.forms.fields import NumberField

USUAL = (("sheet", "sheet A4, 3 by 8 labels of 70 by 37 mm"), ("printer", "label printer, 100 by 50 mm"))
WHOLE = ("columns", "rows")


class AnyCodesField(forms.CharField):
    """Codes of records of any kind, scanned or typed one after another; gives the plain codes, each once."""

    widget = forms.Textarea(attrs={"rows": 4, "autocomplete": "off", "spellcheck": "false", "data-scan": "any"})

    def clean(self, value: Any) -> Any:
        text = re.sub(r"\s+([0-9A-Za-z])(?=[\s,;]|$)", r" \1", super().clean(value) or "")
        parts = [part.strip() for part in re.split(r"[,;\n\r]+|\s+(?=[A-Za-z]{1,3}-|https?:)", text) if part.strip()]
        found, wrong = [], []
        for part in parts:
            try:
                found.append(parse_code(part)[1])
            except Refusal as refusal:
                wrong.append(refusal.message)
        if wrong:
            raise ValidationError(wrong)
        return list(dict.fromkeys(found))


class PrintForm(forms.Form):
    """What is printed, how, and where on the sheet it begins."""

    codes = AnyCodesField(label="Records", help_text="Scan or type codes of samples, lots, rigs, blocks, places.")
    format = forms.ChoiceField(label="Format")
    start = forms.IntegerField(
        label="First free position on the sheet", min_value=1, initial=1, help_text="Counted along the rows, from 1."
    )
    copies = forms.IntegerField(label="Copies of each", min_value=1, max_value=MOST, initial=1)

    def __init__(self, *args: Any, formats: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        own = [(row.name, row.name) for row in formats]
        self.fields["format"].choices = [*own, *USUAL]  # type: ignore[attr-defined]


class FormatForm(forms.Form):
    """A format of labels, in mm."""

    name = forms.CharField(max_length=80)
    medium = forms.ChoiceField(label="For", choices=MEDIA)
    width = NumberField(label="Width of a label", unit="mm", least=0)
    height = NumberField(label="Height of a label", unit="mm", least=0)
    columns = NumberField(label="Labels across", least=1, initial=1)
    rows = NumberField(label="Labels down", least=1, initial=1)
    page_width = NumberField(label="Width of the page", unit="mm", least=0, required=False)
    page_height = NumberField(label="Height of the page", unit="mm", least=0, required=False)
    margin_left = NumberField(label="Left margin", unit="mm", least=0, initial=0)
    margin_top = NumberField(label="Top margin", unit="mm", least=0, initial=0)
    pitch_across = NumberField(
        label="Pitch across", unit="mm", least=0, required=False, help_text="From left edge to left edge."
    )
    pitch_down = NumberField(label="Pitch down", unit="mm", least=0, required=False, help_text="From top to top.")

    def clean_name(self) -> str:
        """A name that is not one of the usual formats'."""
        name = str(self.cleaned_data["name"]).strip()
        if name in dict(USUAL):
            raise ValidationError("This is the name of a usual format.")
        return name

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        sizes = {f: None if (v := self.cleaned_data[f]) is None else float(v) for f in FORMAT_FIELDS}
        whole = {f: int(sizes[f] or 1) for f in WHOLE}
        return {"name": self.cleaned_data["name"], "medium": self.cleaned_data["medium"], **sizes, **whole}
