"""Forms of the receiving desk: symbols, made lots, size distributions, lives, sheets, what must not meet, places."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms

from lims.core.quantities import MASS_UNITS, mass_in_kg
from lims.materials.selectors import materials, places, suppliers
from lims.materials.services import NewLife, Part
from lims.web.forms.fields import CodeField, DateField, NumberField, TextArea

SIZE_UNITS = (("", "as the table's head says, else µm"), ("um", "µm"), ("nm", "nm"), ("mm", "mm"))
SOURCES = (("own", "our own test"), ("supplier", "supplier's certificate"))


class SymbolForm(forms.Form):
    """A supplier's symbol, scanned or typed."""

    symbol = forms.CharField(
        label="Supplier's symbol",
        strip=False,
        max_length=400,
        help_text="Scan it, or type it with its brackets: (01)... (10)... It fills the form; you look, then receive.",
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "spellcheck": "false", "data-symbol": "", "autofocus": ""}
        ),
    )


class LocationField(forms.CharField):
    """A place: known ones are suggested, other words are taken too."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Location")
        super().__init__(max_length=120, **kwargs)

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return {**super().widget_attrs(widget), "list": "places"}


class SplitForm(forms.Form):
    """Part some of a lot off."""

    mass = NumberField(label="Quantity", least=0)
    unit = forms.ChoiceField(choices=MASS_UNITS, initial="g")
    location = LocationField(required=False, help_text="Where the new lot is kept; as its parent where blank.")
    remarks = TextArea(required=False, rows=2)

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        data = dict(self.cleaned_data)
        data["mass"] = mass_in_kg(data["mass"], unit=data.pop("unit"))
        return data


class PartForm(forms.Form):
    """One lot that goes in."""

    lot = CodeField("lot", label="Lot", required=False)
    mass = NumberField(label="Quantity", required=False, least=0)
    unit = forms.ChoiceField(choices=MASS_UNITS, initial="g", required=False)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if bool(data.get("lot")) != (data.get("mass") is not None):
            self.add_error("lot" if data.get("mass") is not None else "mass", "A lot and how much of it are expected.")
        return data


class MakeForm(forms.Form):
    """Blend or treat lots in the house."""

    origin = forms.ChoiceField(label="What is done", choices=(("treatment", "treat"), ("blend", "blend")))
    how = TextArea(label="How", help_text="Vessel, time, temperature, settings, who else took part.")
    material = forms.ChoiceField(
        label="What it is now", required=False, help_text="Blank: the same material as what went in."
    )
    yielded = NumberField(
        label="What came out",
        required=False,
        least=0,
        help_text="Weighed. A blend may leave it blank: all that went in.",
    )
    unit = forms.ChoiceField(label="Unit of what came out", choices=MASS_UNITS, initial="g")
    location = LocationField(required=False)
    storage = forms.CharField(label="Storage condition", required=False, max_length=120)
    containers = forms.IntegerField(min_value=1, max_value=500, initial=1)
    expires_on = DateField(label="Expires on", required=False, help_text="Blank: with the first of its parents.")
    remarks = TextArea(required=False, rows=2)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = [(m.code, m.name) for m in materials()]
        self.fields["material"].choices = [("", "as what went in"), *named]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("origin") == "treatment" and data.get("yielded") is None:
            self.add_error("yielded", "Weigh what came out: drying and sieving lose something.")
        return data

    def values(self) -> dict[str, Any]:
        """What the service takes but for the material, which is still a code."""
        data = {name: value for name, value in self.cleaned_data.items() if name not in ("origin", "unit")}
        yielded: Decimal | None = data["yielded"]
        unit = self.cleaned_data["unit"]
        return data | {"yielded": None if yielded is None else mass_in_kg(yielded, unit=unit, field="yielded")}


def part_of(row: dict[str, Any], lot: Any) -> Part:
    """A row of the form as the service takes it."""
    return Part(lot, mass_in_kg(row["mass"], unit=row["unit"] or "g"))


class MoveForm(forms.Form):
    """Put a lot somewhere else."""

    location = LocationField(label="To", help_text="Scan the label of the place, or write where.")
    storage = forms.CharField(
        label="Storage condition", required=False, max_length=120, help_text="Blank: that of the place."
    )
    reason = TextArea(required=False, rows=2)


class OpenForm(forms.Form):
    """The day a lot was first opened."""

    opened_on = DateField(label="First opened on")


class SizesForm(forms.Form):
    """A whole size distribution, pasted, typed or as a file."""

    table = TextArea(
        label="Rows",
        required=False,
        rows=10,
        help_text="Paste two columns: size, then amount. A head such as 'size [um]' may stand above.",
    )
    file = forms.FileField(label="Or a file", required=False, help_text="CSV or XLSX with two columns. It is kept.")
    file_digest = forms.CharField(widget=forms.HiddenInput, required=False)
    form = forms.ChoiceField(
        label="The amounts are",
        choices=(
            ("below", "cumulative: the share below each size"),
            ("classes", "by class: the amount up to each size"),
        ),
    )
    basis = forms.ChoiceField(
        label="Counted", choices=(("volume", "by volume"), ("number", "by number")), help_text="Laser: by volume."
    )
    unit = forms.ChoiceField(label="Unit of the sizes", choices=SIZE_UNITS, required=False)
    source = forms.ChoiceField(choices=SOURCES)
    method = forms.CharField(
        max_length=200, help_text="Laser diffraction, ISO 13320; wet, 1 min ultrasound; refractive index 1.76"
    )
    as_results = forms.BooleanField(
        label="Enter D10, D50 and D90 as results of the lot, too", required=False, initial=False
    )
    remarks = TextArea(required=False, rows=2)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        given = [bool(data.get("table", "").strip()), bool(data.get("file") or data.get("file_digest"))]
        if sum(given) != 1:
            self.add_error("table", "Paste the rows, or choose a file: one of the two.")
        return data


class LifeForm(forms.Form):
    """A longer life, on results of a retest."""

    results = forms.MultipleChoiceField(label="Results of the retest", widget=forms.CheckboxSelectMultiple)
    expires_on = DateField(label="Good until")
    retest_on = DateField(label="Test again on", required=False)
    reason = TextArea(help_text="Why these results show that the lot is still good.")
    password = forms.CharField(
        label="Your password", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )

    def __init__(self, *args: Any, offered: Any = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.offered = {str(row.pk): row for row in offered}
        named = [
            (key, f"{row.quantity} {row.as_entered}, {row.entered_at:%Y-%m-%d}") for key, row in self.offered.items()
        ]
        self.fields["results"].choices = named  # type: ignore[attr-defined]

    def life(self) -> NewLife:
        """What the service takes."""
        chosen = tuple(self.offered[key] for key in self.cleaned_data["results"])
        return NewLife(self.cleaned_data["expires_on"], self.cleaned_data["retest_on"], chosen)


class SheetForm(forms.Form):
    """What a safety data sheet says, typed from it."""

    source = forms.CharField(max_length=200, help_text="Who wrote it, its number and revision.")
    issued_on = DateField(label="Issued on", required=False)
    supplier = forms.ChoiceField(required=False, help_text="Whose material it is about.")
    signal = forms.ChoiceField(
        label="Signal word", choices=(("none", "none"), ("warning", "warning"), ("danger", "danger"))
    )
    pictograms = forms.CharField(required=False, max_length=80, help_text="Codes, as they stand there: GHS05 GHS07")
    statements = TextArea(
        rows=8,
        required=False,
        help_text="H and P statements, one a line: the code, then the sheet's words. H335 May irritate the airways",
    )
    file = forms.FileField(label="The sheet itself", required=False)
    file_digest = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = [(s.code, s.name) for s in suppliers()]
        self.fields["supplier"].choices = [("", "any"), *named]  # type: ignore[attr-defined]


class IncompatibleForm(forms.Form):
    """What a material must not meet."""

    other = forms.ChoiceField(label="Material", required=False)
    surface = forms.CharField(
        label="Or a metal or surface", required=False, max_length=60, help_text="aluminium: warned of on a rig's blocks"
    )
    effect = forms.CharField(label="What happens", max_length=400)
    source = forms.CharField(max_length=200, help_text="Where it is said; or: common practice, no source")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = {m.code: m for m in materials()}
        self.named = named
        self.fields["other"].choices = [("", "none"), *((c, m.name) for c, m in named.items())]  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        return self.cleaned_data | {"other": self.named.get(self.cleaned_data["other"])}


class PlaceForm(forms.Form):
    """Name a storage place."""

    name = forms.CharField(max_length=120, help_text="store A, shelf 3")
    condition = forms.CharField(label="Storage condition", max_length=120, help_text="dry, 15 to 25 °C")
    remarks = TextArea(required=False, rows=2)


def place_names() -> list[str]:
    """The names of the places that are suggested."""
    return list(places().values_list("name", flat=True)[:500])
