"""Fields that forms of all nouns use: numbers as people type them, quantities with their unit, codes, dates."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from lims.core.codes import expect_kind
from lims.core.display import pretty_unit, show_number
from lims.core.errors import Refusal

_BLANKS = re.compile(r"[\s\u00a0\u202f'’_]")
_NUMBER = re.compile(r"^([+-]?)([\d.,]+)(e[+-]?\d+)?$", re.IGNORECASE)


def meanings(text: str) -> list[str]:
    """What `text` can mean as a number; two where a single comma or point can be either sign, none where it is none."""
    found = _NUMBER.match(_BLANKS.sub("", text.strip()).replace("\u2212", "-"))
    if found is None or not re.search(r"\d", found[2]):
        return []
    sign, digits, power = found[1].replace("+", ""), found[2], found[3] or ""
    return [f"{sign}{value}{power}" for value in _read(digits)]


def _read(digits: str) -> list[str]:
    commas, points = digits.count(","), digits.count(".")
    if commas and points:
        decimal, thousands = (",", ".") if digits.rfind(",") > digits.rfind(".") else (".", ",")
        whole, _, rest = digits.partition(decimal)
        return [f"{w}.{rest}" for w in _grouped(whole, thousands)] if decimal not in rest else []
    if commas > 1 or points > 1:
        return _grouped(digits, "," if commas else ".")
    plain = digits.replace(",", ".")
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", digits):
        return [plain, digits.replace(",", "")]
    return [plain]


def _grouped(digits: str, mark: str) -> list[str]:
    first, *others = digits.split(mark)
    right = re.fullmatch(r"\d{1,3}", first) and all(re.fullmatch(r"\d{3}", part) for part in others)
    return ["".join([first, *others])] if right else []


SLIPS = (10, 100, 1000, 0.1, 0.01, 0.001)
SLIP_WIDTH = 0.05


class NumberInput(forms.TextInput):
    """A text box for a number; remembers which value the person has confirmed as meant."""

    meant = ""

    def value_from_datadict(self, data: Mapping[str, Any], files: Any, name: str) -> Any:
        self.meant = str(data.get(f"{name}_meant") or "")
        return super().value_from_datadict(data, files, name)


class NumberField(forms.Field):
    """A number with a decimal point or comma; `1,234` is asked about, never guessed. Gives a Decimal.

    Where a value is expected (`expect`), one that is 10, 100 or 1000 times off is asked about too.
    """

    widget = NumberInput

    def __init__(self, *, unit: str = "", least: float | None = None, most: float | None = None, **kwargs: Any) -> None:
        self.unit, self.least, self.most = unit, least, most
        self.expected: float | None = None
        super().__init__(**kwargs)

    def expect(self, value: float | None) -> None:
        """Say which value is expected; call it in the form's `__init__`."""
        self.expected = value
        self.widget.attrs.update({} if value is None else {"data-expected": f"{float(value):.12g}"})

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        limits = {"data-least": self.least, "data-most": self.most}
        given = {name: f"{limit:.12g}" for name, limit in limits.items() if limit is not None}
        return {"data-number": "", "inputmode": "decimal", "autocomplete": "off", **given}

    def to_python(self, value: Any) -> Decimal | None:
        if value in self.empty_values:
            return None
        if isinstance(value, int | float | Decimal):
            return Decimal(str(value))
        return self._in_range(self._one(str(value)))

    def validate(self, value: Any) -> None:
        super().validate(value)
        if value is not None and self.expected:
            self._ask_about_slip(value)

    def _ask_about_slip(self, value: Decimal) -> None:
        ratio = float(value) / float(self.expected or 1)
        slip = next((slip for slip in SLIPS if abs(ratio / slip - 1) < SLIP_WIDTH), None)
        meant = meanings(self._bare(getattr(self.widget, "meant", "")))
        if slip is None or str(value) in meant:
            return
        times = f"{slip:g} times" if slip > 1 else f"1/{round(1 / slip)} of"
        expected = f"{show_number(self.expected)} {pretty_unit(self.unit)}".strip()
        raise ValidationError(
            f"{value} {pretty_unit(self.unit)} is {times} what is expected here ({expected}).".replace("  ", " "),
            code="slip",
        )

    def _bare(self, text: str) -> str:
        """The text without the field's own unit, which may have been pasted along."""
        text = text.strip()
        for unit in filter(None, (self.unit, pretty_unit(self.unit))):
            if text.endswith(unit):
                return text[: -len(unit)]
        return text

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare as numbers: 0.5 and 0,50 are the same, so a row with only its presets is a blank row."""
        try:
            return self.to_python(initial) != self.to_python(data)
        except ValidationError:
            return True

    def _one(self, text: str) -> Decimal:
        possible = meanings(self._bare(text))
        # a meaning that the field cannot hold at all is none
        possible = [p for p in possible if self._holds(p)] or possible
        if not possible:
            raise ValidationError(f"'{text}' is not a number.", code="not-a-number")
        if len(possible) > 1:
            words = " or ".join(possible)
            raise ValidationError(f"{text} can mean {words}. Write it without the comma.", code="ambiguous-number")
        try:
            return Decimal(possible[0])
        except InvalidOperation as error:
            raise ValidationError(f"'{text}' is not a number.", code="not-a-number") from error

    def _holds(self, text: str) -> bool:
        number = float(text)
        return not (self.least is not None and number < self.least) and not (
            self.most is not None and number > self.most
        )

    def _in_range(self, number: Decimal) -> Decimal:
        if self.least is not None and number < Decimal(str(self.least)):
            raise ValidationError(f"At least {self.least:g} {self.unit} is expected.".replace("  ", " "))
        if self.most is not None and number > Decimal(str(self.most)):
            raise ValidationError(f"At most {self.most:g} {self.unit} is expected.".replace("  ", " "))
        return number


class DateField(forms.DateField):
    """A date by the browser's own picker; typed as 2026-11-25."""

    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class TextArea(forms.CharField):
    """Several lines of text."""

    def __init__(self, *, rows: int = 3, **kwargs: Any) -> None:
        super().__init__(widget=forms.Textarea(attrs={"rows": rows}), **kwargs)


class CodeField(forms.CharField):
    """A code, scanned or typed, with or without its check character or as an address; gives the plain code."""

    def __init__(self, kind: str, **kwargs: Any) -> None:
        self.kind = kind
        super().__init__(**kwargs)

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return {**super().widget_attrs(widget), "autocomplete": "off", "spellcheck": "false", "data-scan": self.kind}

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return text
        try:
            return expect_kind(text, self.kind)
        except Refusal as refusal:
            raise ValidationError(refusal.message, code=refusal.code) from refusal


class ReasonForm(forms.Form):
    """An act that needs only its reason."""

    reason = TextArea(label="Reason")


class SignForm(forms.Form):
    """An act that is signed: the reason, and the password anew."""

    reason = TextArea(label="Reason")
    password = forms.CharField(
        label="Your password", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )
