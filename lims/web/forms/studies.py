"""Which runs a study of several is made of, and what is asked of its method."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms

from lims.rigs.selectors import method_versions_for
from lims.web.forms.fields import CodeField


class OptionsForm(forms.Form):
    """The options of a method, as the registry declares them; they stand in the address."""

    def __init__(self, *args: Any, kind: Any, kept: Callable[[str], list[tuple[str, str]]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for option in kind.options:
            self.fields[option.key] = _field_of(option, kept)

    @property
    def texts(self) -> dict[str, str]:
        """What is asked, by option."""
        return {key: str(self.data.get(self.add_prefix(key), "")) for key in self.fields}


def _field_of(option: Any, kept: Callable[[str], list[tuple[str, str]]]) -> forms.Field:
    told = {"label": option.label, "help_text": option.words, "required": False}
    if option.kind == "choice":
        return forms.ChoiceField(
            choices=[("", "as usual"), *((c, c.replace("_", " ")) for c in option.choices)], **told
        )
    if option.kind == "outcome":
        return forms.ChoiceField(choices=[("", "none"), *kept(option.of)], **told)
    field = forms.CharField(max_length=60, **told)
    field.widget.attrs["placeholder"] = option.example
    if option.unit:
        field.unit = option.unit  # type: ignore[attr-defined]
    return field


class KeepForm(forms.Form):
    """Keep a study under a code."""

    title = forms.CharField(label="What it is about", max_length=200)


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
