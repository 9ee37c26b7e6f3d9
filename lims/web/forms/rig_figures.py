"""Forms for figures of rigs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms

from lims.runs.selectors.rig_figures import KINDS
from lims.runs.services.rig_figures import Accepting
from lims.web.forms.fields import TextArea
from lims.web.forms.quality import password_field


class ProposeForm(forms.Form):
    """Which figure, found in which runs."""

    kind = forms.ChoiceField(label="Figure", choices=KINDS)
    runs = forms.MultipleChoiceField(label="Found in", widget=forms.CheckboxSelectMultiple)
    reason = TextArea(label="What the runs were made for", rows=2)

    def __init__(self, *args: Any, runs: Iterable[tuple[str, str]] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["runs"].choices = list(runs)  # type: ignore[attr-defined]


class AcceptForm(forms.Form):
    """From when it holds, and why."""

    valid_from = forms.DateTimeField(
        label="Holds from",
        required=False,
        help_text="Leave blank for now. Not before the rig's last configuration.",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}),
    )
    reason = TextArea(label="Reason", rows=2)
    password = password_field()

    @staticmethod
    def values(form: Any) -> dict[str, Any]:
        """As the service takes it."""
        given = form.cleaned_data
        return {"password": given["password"], "accepting": Accepting(given["reason"], given["valid_from"])}
