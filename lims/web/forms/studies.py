"""Which runs a study of several is made of."""

from __future__ import annotations

from typing import Any

from django import forms

from lims.rigs.selectors import method_versions_for
from lims.web.forms.fields import CodeField


class StudyFilter(forms.Form):
    """What narrows the runs to choose from; stands in the address."""

    method: forms.ModelChoiceField[Any] = forms.ModelChoiceField(
        queryset=None, required=False, to_field_name="code", empty_label="all methods"
    )
    sample = CodeField("sample", required=False)
    formulation = CodeField("formulation", required=False)

    def __init__(self, *args: Any, user: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["method"].queryset = method_versions_for(user).exclude(state="draft")  # type: ignore[attr-defined]

    @property
    def wanted(self) -> dict[str, str]:
        """What is asked for; what cannot be read narrows nothing."""
        content = dict(self.cleaned_data) if self.is_valid() else {}
        method = content.pop("method", None)
        return {**content, "method": method.code if method else ""}
