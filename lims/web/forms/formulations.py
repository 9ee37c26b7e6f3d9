"""Forms for formulations and batches: percent by mass, settings in the units of the bench, masses in g."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms

from lims.core.errors import Refusal
from lims.core.quantities import from_si, mass_in, mass_in_kg, to_si
from lims.formulations.kinds import SETTINGS, TESTS, setting_to_si
from lims.formulations.selectors import (
    approved_versions,
    composed,
    conducting_of,
    cost_of,
    equipment,
    mass_fractions_of,
    read_lines,
    step_words,
    text_of_upload,
)
from lims.formulations.services import LimitOfTest, LineSpec, StepSpec
from lims.materials.selectors import materials
from lims.web.forms.fields import CodeField, DateField, NumberField, TextArea

PERCENT = Decimal(100)
BASES = (
    ("", "% by mass"),
    ("parts", "parts per 100 fluid"),
    ("volume", "% by volume"),
    ("rest", "the rest"),
)


class FormulationForm(forms.Form):
    """The name of a formulation and what it is for."""

    name = forms.CharField(max_length=200)
    purpose = TextArea(required=False, rows=2)


class LoadingForm(forms.Form):
    """What the bond line is predicted with; nothing is stored."""

    yield_stress = NumberField(label="Yield stress, measured", unit="Pa", required=False, least=0)
    pressure = NumberField(label="Pressure", unit="kPa", required=False, least=0, initial="200")

    def values(self) -> dict[str, float | None]:
        """Both in SI; nothing where they are not right."""
        stress, pressure = (self.cleaned_data.get(name) for name in ("yield_stress", "pressure"))
        return {
            "yield_stress": None if stress is None else float(stress),
            "pressure": None if pressure is None else to_si(float(pressure), unit="kPa", of="pressure"),
        }


class CopyForm(forms.Form):
    """A new formulation out of a version."""

    name = forms.CharField(label="Name of the new formulation", max_length=200)
    purpose = TextArea(required=False, rows=2)
    reason = forms.CharField(label="Why", required=False, max_length=400)


class EditForm(forms.Form):
    """The record version that was read, so that a change made meanwhile shows."""

    read = forms.IntegerField(widget=forms.HiddenInput, required=False)


class LineForm(forms.Form):
    """One line: a material and its share."""

    material = forms.ChoiceField()
    percent = NumberField(label="Amount", least=0, required=False)
    basis = forms.ChoiceField(label="Typed as", choices=BASES, required=False)
    tolerance = NumberField(label="Tolerance, of the target", unit="%", initial="0.5", least=0)
    outer = NumberField(label="Outer limit", unit="%", initial="2", least=0)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["material"].choices = [("", ""), *((m.code, m.name) for m in materials())]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """An amount stands where it is needed, and no share is above 100 %."""
        data: dict[str, Any] = super().clean() or {}
        basis, amount = data.get("basis"), data.get("percent")
        if basis != "rest" and amount is None and "percent" not in self.errors:
            self.add_error("percent", "This field is required. A line without an amount can be the rest.")
        if basis in ("", "volume") and amount is not None and amount > PERCENT:
            self.add_error("percent", f"At most 100 % is expected, {plain(amount)} was typed.")
        return data


class StepForm(forms.Form):
    """One step with its settings."""

    instruction = forms.CharField(label="What to do", max_length=400)
    speed = NumberField(label="Speed", unit="1/min", required=False, least=0)
    duration = NumberField(label="Time", unit="min", required=False, least=0)
    pressure = NumberField(label="Absolute pressure", unit="mbar", required=False, least=0)
    temperature = NumberField(label="Temperature", unit="degC", required=False)
    tolerance = NumberField(label="Tolerance", unit="%", initial="10", least=0)
    hold_point = forms.BooleanField(label="Second person", required=False)


class TableForm(forms.Form):
    """Lines that come from a spreadsheet, pasted or in a file."""

    table = TextArea(
        label="Paste from a spreadsheet",
        required=False,
        rows=5,
        help_text="One line a row: code or name of the material, amount, and if not percent by mass the basis: parts,"
        " volume or rest.",
    )
    file = forms.FileField(
        label="Or a file, CSV or XLSX",
        required=False,
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt,.tsv,.xlsx"}),
    )

    def rows(self) -> list[dict[str, Any]]:
        """The lines as the page's rows; none, with each bad row named beside the text, where one is not right."""
        upload = self.cleaned_data.get("file")
        text = self.cleaned_data["table"]
        if upload is not None:
            try:
                text = text_of_upload(upload.file, upload.name)
            except Refusal as refusal:
                self.add_error("file", refusal.message)
                return []
        rows, problems = typed_rows(text)
        for problem in problems:
            self.add_error("table", f"{problem[:1].upper()}{problem[1:]}.")
        # a file cannot be chosen for somebody again; its text stays where it can be mended
        self.data = {**self.data.dict(), "table": text if problems else ""}  # type: ignore[attr-defined]
        return [] if problems else rows


def typed_rows(text: str) -> tuple[list[dict[str, Any]], list[str]]:
    """Rows of the page out of a pasted table, and a sentence for each row that is not right."""
    known = {word.lower(): m.code for m in materials() for word in (m.name, m.code)}
    read = read_lines(text)
    unknown = [
        f"row {line.row}: material '{line.material[:60]}' found, expected the code or name of a material known here"
        for line in read.lines
        if line.material.lower() not in known
    ]
    fresh = {"tolerance": "0.5", "outer": "2"}
    rows = [
        {"material": known[line.material.lower()], "percent": line.amount, "basis": BASIS_FIELD[line.basis]} | fresh
        for line in read.lines
        if line.material.lower() in known
    ]
    return rows, [*read.problems, *unknown]


BASIS_FIELD = {"mass": "", "parts": "parts", "volume": "volume", "rest": "rest"}


def lines_of(rows: Iterable[dict[str, Any]]) -> list[LineSpec]:
    """Rows of the page as the service takes them: whatever was typed, as mass fractions."""
    known = {m.code: m for m in materials()}
    kept = list(rows)
    typed = [(known[row["material"]], row.get("basis") or "mass", row["percent"] or Decimal(0)) for row in kept]
    return [
        LineSpec(material, fraction, row["tolerance"] / PERCENT, row["outer"] / PERCENT)
        for row, (material, _, _), fraction in zip(kept, typed, mass_fractions_of(typed), strict=True)
    ]


@dataclass(frozen=True, slots=True)
class TypedLine:
    """A line on the way to being stored, as `composed` takes it."""

    material: Any
    fraction: Decimal


def sheet_of_rows(rows: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """What the typed rows make: the composition, what it can conduct, what it costs."""
    lines = [TypedLine(line.material, line.fraction) for line in lines_of(rows)]
    parts = [(line.material, line.fraction) for line in lines]
    return {"composition": composed(lines), "conducting": conducting_of(parts), "cost": cost_of(parts)}


def steps_of(rows: Iterable[dict[str, Any]]) -> list[StepSpec]:
    """Rows of the page as the service takes them, settings in SI."""
    return [
        StepSpec(
            row["instruction"],
            **{key: setting_to_si(key, row[key]) for key in SETTINGS},
            tolerance=float(row["tolerance"] / PERCENT),
            hold_point=row["hold_point"],
        )
        for row in rows
    ]


def beside(version: Any, *, lines: Sequence[LineSpec], steps: Sequence[StepSpec]) -> list[tuple[str, str, str]]:
    """What is stored and what was typed, each (what, stored, typed), where the two differ."""
    stored, typed = _shares(version.lines.select_related("material").order_by("position")), _shares(lines)
    for rows, found in ((version.steps.order_by("position"), stored), (steps, typed)):
        found.update({f"step {number}": step_words(step) for number, step in enumerate(rows, start=1)})
    names = dict.fromkeys([*stored, *typed])
    pairs = [(name, stored.get(name, ""), typed.get(name, "")) for name in names]
    return [(name, was, now) for name, was, now in pairs if was != now]


def _shares(lines: Iterable[Any]) -> dict[str, str]:
    found: dict[str, Decimal] = {}
    for line in lines:
        found[line.material.name] = found.get(line.material.name, Decimal(0)) + line.fraction * PERCENT
    return {name: f"{plain(share)} %" for name, share in found.items()}


def line_initial(lines: Iterable[Any]) -> list[dict[str, Any]]:
    """Stored lines as the page shows them."""
    return [
        {
            "material": line.material.code,
            "percent": plain(line.fraction * PERCENT),
            "tolerance": plain(line.tolerance * PERCENT),
            "outer": plain(line.outer_tolerance * PERCENT),
        }
        for line in lines
    ]


def step_initial(steps: Iterable[Any]) -> list[dict[str, Any]]:
    """Stored steps as the page shows them."""
    rows = []
    for step in steps:
        row: dict[str, Any] = {"instruction": step.instruction, "hold_point": step.hold_point}
        row["tolerance"] = f"{step.tolerance * 100:.10g}"
        for key, known in SETTINGS.items():
            value = getattr(step, key)
            row[key] = "" if value is None else f"{from_si(value, unit=known.shown, of=known.dimension):.10g}"
        rows.append(row)
    return rows


def plain(number: Decimal) -> str:
    """A number without needless zeros."""
    return f"{number.normalize():f}"


class PlanForm(forms.Form):
    """Plan a batch of an approved version."""

    version = forms.ChoiceField(label="Formulation version")
    target_mass = NumberField(label="Amount to make", unit="g", least=0)
    name = forms.CharField(required=False, max_length=200, help_text="Leave blank for the formulation's name.")
    balance = forms.ChoiceField(required=False, help_text="The targets are rounded to what it shows.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        balances = [(row.code, f"{row.code} {row.name}") for row in equipment(kind="balance")]
        self.fields["balance"].choices = [("", "not known yet"), *balances]  # type: ignore[attr-defined]
        named = [(v.code, f"{v.code} {v.formulation.name}") for v in approved_versions()]
        self.fields["version"].choices = [("", "choose"), *named]  # type: ignore[attr-defined]


class ExploreForm(forms.Form):
    """Plan an exploratory batch with its own lines."""

    name = forms.CharField(max_length=200)
    target_mass = NumberField(label="Amount to make", unit="g", least=0)


class OverrideFields(forms.Form):
    """Quality's word for equipment that may not be used; shown once it is asked for."""

    override_reason = forms.CharField(label="Why it may be used", required=False, max_length=400)
    override_name = forms.CharField(label="Quality: user name", required=False, max_length=150)
    override_password = forms.CharField(
        label="Quality: password", required=False, widget=forms.PasswordInput(attrs={"autocomplete": "off"})
    )


class WeighForm(OverrideFields):
    """One weighing at the bench."""

    lot = CodeField("lot", label="Lot", help_text="Scan the container.")
    net = NumberField(label="Net mass", unit="g", least=0)
    balance = forms.CharField(max_length=60)
    container = forms.CharField(required=False, max_length=60)
    more = forms.BooleanField(label="More of this line follows", required=False)
    reason = forms.CharField(
        required=False, max_length=400, help_text="Needed when the mass lies outside the allowed range."
    )
    opened_on = DateField(
        label="Lot first opened on", required=False, help_text="Today, if you open it now. Its life in use starts then."
    )
    meant = forms.BooleanField(label="I read the balance again: this number is meant", required=False)
    correct = forms.BooleanField(label="Correct the rest: take the new targets", required=False)
    choice = forms.ChoiceField(
        label="Which stands?",
        required=False,
        widget=forms.RadioSelect,
        choices=[
            ("theirs", "The other entry stands, mine is set aside"),
            ("mine", "Mine stands, the other is corrected"),
            ("both", "Both are in the vessel"),
        ],
    )
    scanned = forms.BooleanField(required=False, widget=forms.HiddenInput)
    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, expected: Decimal | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if expected is not None and expected > 0:
            self.fields["net"].widget.attrs |= {"data-expected": plain(mass_in(expected, "g") or Decimal(0))}

    def values(self) -> dict[str, Any]:
        """What the service takes but for the lot: masses in kg."""
        data = dict(self.cleaned_data)
        data.pop("lot")
        data.pop("override_name")
        typed = data["net"]
        asked = self.data.get("net_meant", "")
        return data | {
            "net": mass_in_kg(typed, unit="g", field="net"),
            "as_entered": f"{typed} g",
            "meant": data["meant"] or asked == str(typed),
        }


class CorrectForm(forms.Form):
    """Correct a weighing."""

    net = NumberField(label="Net mass", unit="g", least=0)
    reason = TextArea()

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        typed = self.cleaned_data["net"]
        reason = self.cleaned_data["reason"]
        return {"net": mass_in_kg(typed, unit="g", field="net"), "as_entered": f"{typed} g", "reason": reason}


class FinishForm(forms.Form):
    """Finish a batch."""

    yield_mass = NumberField(label="Yield", unit="g", least=0)
    loss_mass = NumberField(
        label="Known losses", unit="g", least=0, required=False, help_text="Test samples, vessel, filter."
    )
    reason = forms.CharField(required=False, max_length=400, help_text="Needed when the yield is low.")

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        data = self.cleaned_data
        lost = data["loss_mass"]
        return {
            "yield_mass": mass_in_kg(data["yield_mass"], unit="g", field="yield_mass"),
            "loss_mass": None if lost is None else mass_in_kg(lost, unit="g", field="loss_mass"),
            "reason": data["reason"],
        }


class TestForm(forms.Form):
    """One in-process test; the value and its limits in the unit the test is shown in."""

    test = forms.ChoiceField(
        choices=[(t.key, f"{t.label} {f'[{t.shown}]' if t.shown else ''}") for t in TESTS.values()]
    )
    value = NumberField(required=False)
    u = NumberField(label="Standard uncertainty", required=False, least=0)
    lower = NumberField(label="Lower limit", required=False)
    upper = NumberField(label="Upper limit", required=False)
    words = forms.CharField(label="Appearance in words", required=False, max_length=200)
    good = forms.BooleanField(label="It looks as expected", required=False, initial=True)
    equipment = forms.CharField(required=False, max_length=60)
    reason = forms.CharField(required=False, max_length=400, help_text="Needed when it lies outside the limits.")

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        names = ("value", "u", "lower", "upper")
        numbers = {n: None if (v := self.cleaned_data[n]) is None else float(v) for n in names}
        return self.cleaned_data | numbers


class TestLimitsForm(forms.Form):
    """The limits of a version's in-process tests: a lower and an upper end for each, in the unit it is shown in."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for test in _MEASURED:
            for end, words in (("lower", "at least"), ("upper", "at most")):
                label = f"{test.label.capitalize()}, {words}"
                self.fields[f"{test.key}_{end}"] = NumberField(label=label, unit=test.shown, required=False)

    def values(self) -> dict[str, Any]:
        """What the service takes: each test that has an end, in SI."""
        found = []
        for test in _MEASURED:
            ends = [
                None if (typed := self.cleaned_data[f"{test.key}_{end}"]) is None
                else to_si(float(typed), unit=test.shown, of=test.dimension, field=f"{test.key}_{end}")
                for end in ("lower", "upper")
            ]  # fmt: skip
            if any(end is not None for end in ends):
                found.append(LimitOfTest(test.key, *ends))
        return {"tests": found}


_MEASURED = tuple(test for test in TESTS.values() if test.dimension)


class PhotoForm(forms.Form):
    """A photograph of a batch."""

    photo = forms.FileField(label="Photograph", widget=forms.ClearableFileInput(attrs={"accept": "image/*"}))
    caption = forms.CharField(required=False, max_length=200)
    position = forms.IntegerField(label="Step", required=False, min_value=1)

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        return self.cleaned_data | {"name": self.cleaned_data["photo"].name}


class PromoteForm(forms.Form):
    """Make a formulation of an exploratory batch."""

    name = forms.CharField(label="Name of the formulation", max_length=200)
    purpose = TextArea(required=False, rows=2)


class DoStepForm(OverrideFields):
    """Confirm one step: a field for each setting that has a target, a second person at a hold point."""

    position = forms.IntegerField(required=False, widget=forms.HiddenInput)
    skipped = forms.BooleanField(label="This step was left out", required=False)
    reason = forms.CharField(required=False, max_length=400, help_text="Needed when a step was not done as planned.")

    def __init__(self, *args: Any, step: dict[str, Any], people: Sequence[Any] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fields: dict[str, forms.Field] = {}
        for key, known in SETTINGS.items():
            if step.get(key) is not None:
                label = f"{known.label.capitalize()} as set"
                fields[key] = NumberField(label=label, unit=known.shown, required=False)
        if step.get("hold_point"):
            named = [("", "choose"), *((p.username, p.printed_name) for p in people)]
            fields["seen_by"] = forms.ChoiceField(label="Second person", choices=named, required=False)
            fields["seen_password"] = forms.CharField(
                label="The second person's password",
                required=False,
                widget=forms.PasswordInput(attrs={"autocomplete": "off"}),
            )
        equipment_field = forms.CharField(
            required=False, max_length=60, help_text="Scan the label of the mixer, where one is used."
        )
        self.fields = fields | {"equipment": equipment_field} | self.fields
        self.fields["position"].initial = step["position"]

    def ask_for_override(self, asked: bool) -> None:
        """Leave quality's fields out of what is shown until equipment was refused."""
        for name in [] if asked else OverrideFields.base_fields:
            self.fields.pop(name, None)

    def values(self) -> dict[str, Any]:
        """What the service takes but for the second person: settings in SI."""
        data = {k: v for k, v in self.cleaned_data.items() if k not in ("seen_by", "override_name", "position")}
        return data | {key: setting_to_si(key, data[key]) for key in SETTINGS if key in data}
