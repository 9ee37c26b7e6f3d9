"""Forms of a recall."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils import timezone

from lims.comparisons.recalls import WAYS
from lims.web.forms.fields import TextArea
from lims.web.forms.samples import MomentField


class ToldForm(forms.Form):
    """Who was told of what is wrong, when, how, and what was said."""

    told = forms.CharField(label="Who was told", max_length=200, help_text="The person and the house.")
    about = forms.CharField(
        label="What it reached them by", max_length=200, required=False, help_text="Codes of certificates or samples."
    )
    way = forms.ChoiceField(label="How", choices=WAYS)
    told_at = MomentField(label="When")
    words = TextArea(label="What was said")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["told_at"].initial = lambda: timezone.localtime().replace(second=0, microsecond=0)
