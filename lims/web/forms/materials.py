"""Forms for materials, suppliers and lots. Values become SI in `values()`, by `lims.core.quantities`."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.utils import timezone

from lims.core.display import pretty_unit
from lims.core.quantities import MASS_UNITS, from_si, mass_in_kg, spread_from_si, spread_to_si, to_si
from lims.materials.kinds import KINDS, PROPERTIES
from lims.materials.selectors import materials, suppliers
from lims.web.forms.desk import LocationField
from lims.web.forms.fields import DateField, NumberField, TextArea

HAZARD_ROWS = 8
SOURCES = (("own", "our own test"), ("supplier", "supplier's certificate"))


class SupplierForm(forms.Form):
    """Name a supplier."""

    name = forms.CharField(max_length=200)
    remarks = TextArea(required=False)


class WithdrawSupplierForm(forms.Form):
    """Take an approval back, or refuse one, for all that is delivered or for one material."""

    material = forms.ChoiceField(label="For", required=False)
    reason = TextArea(label="Grounds", help_text="What was found: audit, samples, history.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.named = {m.code: m for m in materials()}
        named = [(code, material.name) for code, material in self.named.items()]
        self.fields["material"].choices = [("", "all it delivers"), *named]  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        return self.cleaned_data | {"material": self.named.get(self.cleaned_data["material"])}


class ApproveSupplierForm(WithdrawSupplierForm):
    """Approve a supplier, until it is evaluated again."""

    criteria = TextArea(
        label="What was asked",
        required=False,
        rows=2,
        help_text="Three samples within limits; a certificate of each lot.",
    )
    evaluate_again_on = DateField(label="Evaluate again on", required=False)


class MaterialForm(forms.Form):
    """What is known of a material; hazards one a line."""

    name = forms.CharField(max_length=200, help_text="What it is, not a trade name: alumina, round, 5 µm.")
    kind = forms.ChoiceField(choices=[(k.key, k.label) for k in KINDS.values()])
    density = NumberField(required=False, unit="g/cm^3")
    density_u = NumberField(label="Standard uncertainty of the density", required=False, unit="g/cm^3", least=0)
    conductivity = NumberField(required=False, unit="W/(m*K)")
    conductivity_u = NumberField(
        label="Standard uncertainty of the conductivity", required=False, unit="W/(m*K)", least=0
    )
    conductivity_source = forms.CharField(label="Source of the conductivity", required=False, max_length=200)
    shape = forms.CharField(label="Particle shape", required=False, max_length=60)
    hazards = TextArea(
        label="Hazards",
        required=False,
        help_text="From the safety data sheet, one a line: the code, then its words. H335 May irritate the airways",
    )
    hazards_source = forms.CharField(label="Source of the hazards", required=False, max_length=200)
    price = NumberField(label="Price per kg", required=False, least=0)
    currency = forms.CharField(required=False, max_length=3, help_text="Of the price, by ISO 4217: EUR")
    remarks = TextArea(required=False)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, prices: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not prices:
            del self.fields["price"], self.fields["currency"]

    def values(self) -> dict[str, Any]:
        """What the service takes, in SI."""
        data = dict(self.cleaned_data)
        data.pop("version")
        for name, unit in (("density", "g/cm^3"), ("conductivity", "W/(m*K)")):
            data[name] = _si(data[name], unit=unit, of=name)
            data[f"{name}_u"] = _si_spread(data[f"{name}_u"], unit=unit, of=name)
        data["hazards"] = read_hazards(data["hazards"])
        return data


def read_hazards(text: str) -> list[dict[str, str]]:
    """Hazards as they are typed, one a line: a code where the line begins with one, then words."""
    rows = []
    for line in filter(None, map(str.strip, text.splitlines())):
        first, _, rest = line.partition(" ")
        coded = first.upper().startswith(("H", "P", "EUH")) and any(c.isdigit() for c in first)
        rows.append({"code": first.upper(), "text": rest} if coded else {"code": "", "text": line})
    return rows


def material_initial(material: Any) -> dict[str, Any]:
    """A material as its form shows it."""
    names = ("name", "kind", "conductivity_source", "shape", "hazards_source", "remarks", "version", "currency")
    initial = {name: getattr(material, name) for name in names}
    for name, unit in (("density", "g/cm^3"), ("conductivity", "W/(m*K)")):
        value, u = getattr(material, name), getattr(material, f"{name}_u")
        initial[name] = None if value is None else f"{from_si(value, unit=unit, of=name):.10g}"
        initial[f"{name}_u"] = None if u is None else f"{spread_from_si(u, unit=unit, of=name):.10g}"
    initial["price"] = None if material.price is None else f"{material.price.normalize():f}"
    initial["hazards"] = "\n".join(material.hazard_texts)
    return initial


def _si(value: Decimal | None, *, unit: str, of: str) -> float | None:
    return None if value is None else to_si(float(value), unit=unit, of=of, field=of)


def _si_spread(value: Decimal | None, *, unit: str, of: str) -> float | None:
    return None if value is None else spread_to_si(float(value), unit=unit, of=of)


class LotForm(forms.Form):
    """Receive a delivery: one page, in the order of a delivery note, by keyboard alone."""

    material = forms.ChoiceField()
    supplier = forms.ChoiceField(required=False)
    supplier_lot = forms.CharField(label="Supplier's lot number", max_length=80)
    serial = forms.CharField(label="Supplier's serial number", required=False, max_length=40)
    made_on = DateField(label="Made on", required=False)
    mass = NumberField(label="Quantity", least=0)
    unit = forms.ChoiceField(choices=MASS_UNITS, initial="kg")
    received_on = DateField(label="Received on")
    containers = forms.IntegerField(min_value=1, max_value=500, initial=1)
    storage = forms.CharField(label="Storage condition", max_length=120, help_text="dry, 15 to 25 °C")
    location = LocationField(help_text="Scan the label of the place, or write: cabinet 2, shelf 3")
    expires_on = DateField(label="Expires on", required=False)
    retest_on = DateField(label="Retest on", required=False)
    in_use_days = forms.IntegerField(label="Days in use after opening", required=False, min_value=1, max_value=3650)
    certificate = forms.FileField(label="Supplier's certificate", required=False)
    certificate_digest = forms.CharField(widget=forms.HiddenInput, required=False)
    gtin = forms.CharField(widget=forms.HiddenInput, required=False, max_length=14)
    remarks = TextArea(required=False, rows=2)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["received_on"].initial = timezone.localdate
        self.fields["material"].choices = [("", "choose"), *((m.code, m.name) for m in materials())]  # type: ignore[attr-defined]
        named = [(s.code, s.name if s.approved else f"{s.name} (not approved)") for s in suppliers()]
        self.fields["supplier"].choices = [("", "none"), *named]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not data.get("expires_on") and not data.get("retest_on"):
            self.add_error("expires_on", "Write the expiry date, or the retest date below.")
        return data

    def values(self) -> dict[str, Any]:
        """What the service takes: mass in kg; material, supplier and certificate are still codes."""
        data = dict(self.cleaned_data)
        data["mass"] = mass_in_kg(data["mass"], unit=data.pop("unit"))
        return data


class ResultForm(forms.Form):
    """Enter one measured value of a lot."""

    quantity = forms.ChoiceField(label="Property")
    value = NumberField()
    unit = forms.CharField(
        max_length=20, required=False, help_text="As it stands on the certificate: um, g/cm^3, %, m^2/g, Pa*s."
    )
    u = NumberField(
        label="Standard uncertainty", required=False, least=0, help_text="In the same unit; half of a U with k = 2."
    )
    dof = NumberField(label="Degrees of freedom", required=False, least=1)
    method = forms.CharField(required=False, max_length=120, help_text="Laser diffraction, ISO 13320")
    source = forms.ChoiceField(choices=SOURCES, initial="own")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = [(p.key, f"{p.label} [{pretty_unit(p.shown) or '1'}]") for p in PROPERTIES.values()]
        self.fields["quantity"].choices = named  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        """What the service takes; the service knows the units."""
        data = dict(self.cleaned_data)
        data["unit"] = data["unit"] or PROPERTIES[data["quantity"]].shown
        for name in ("value", "u", "dof"):
            data[name] = None if data[name] is None else float(data[name])
        return data


class StockForm(forms.Form):
    """Correct the stock of a lot."""

    mass = NumberField(label="Change", help_text="Less is negative: -12.5")
    unit = forms.ChoiceField(choices=MASS_UNITS, initial="g")
    reason = TextArea()

    def values(self) -> dict[str, Any]:
        """What the service takes."""
        mass = mass_in_kg(self.cleaned_data["mass"], unit=self.cleaned_data["unit"])
        return {"mass": mass, "reason": self.cleaned_data["reason"]}


class LotFilter(forms.Form):
    """Narrow the list of lots."""

    text = forms.CharField(label="Code, number or material", required=False)
    state = forms.ChoiceField(required=False)

    def __init__(self, *args: Any, states: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["state"].choices = [("", "any"), *states]  # type: ignore[attr-defined]


class GiveBackForm(forms.Form):
    """What is kept of a lot for one batch is given back; the batches are put in where the form is shown."""

    cause = forms.CharField(label="Kept for", widget=forms.Select)
    reason = TextArea(label="Why it is given back", rows=2)
