"""Numbers as people type them: doubtful ones are asked about, never guessed."""

from __future__ import annotations

import pytest
from django import forms
from django.template.loader import render_to_string

from lims.web.forms.fields import NumberField


class WeighForm(forms.Form):
    """One mass, 250 g expected."""

    mass = NumberField(unit="g", least=0, most=5000)

    def __init__(self, data: dict[str, str], expected: float | None = 250.0) -> None:
        super().__init__(data)
        self.fields["mass"].expect(expected)


def codes(form: forms.Form) -> list[str]:
    return [error.code for error in form.errors.as_data().get("mass", [])]


def test_a_comma_that_can_be_two_things_is_asked_about() -> None:
    form = WeighForm({"mass": "1,234"}, expected=None)
    assert codes(form) == ["ambiguous-number"]
    assert "1.234 or 1234" in str(form.errors)


def test_a_meaning_the_field_cannot_hold_is_no_meaning() -> None:
    assert WeighForm({"mass": "8,200"}, expected=None).is_valid()  # 8200 g is more than the field holds


@pytest.mark.parametrize(
    ("typed", "times"), [("25.00", "1/10 of"), ("2500", "10 times"), ("2.5", "1/100 of"), ("0,25", "1/1000 of")]
)
def test_a_slip_of_ten_a_hundred_or_a_thousand_is_asked_about(typed: str, times: str) -> None:
    form = WeighForm({"mass": typed})
    assert codes(form) == ["slip"]
    assert f"{times} what is expected here (250 g)" in str(form.errors["mass"])


def test_a_slip_that_is_meant_is_taken() -> None:
    form = WeighForm({"mass": "25.00", "mass_meant": "25.00"})
    assert form.is_valid()
    assert str(form.cleaned_data["mass"]) == "25.00"


def test_a_confirmation_counts_for_that_very_value_only() -> None:
    assert codes(WeighForm({"mass": "2.5", "mass_meant": "25.00"})) == ["slip"]


@pytest.mark.parametrize("typed", ["249.3", "251", "190", "300"])
def test_a_value_near_what_is_expected_is_taken(typed: str) -> None:
    assert WeighForm({"mass": typed}).is_valid()


def test_a_slip_can_be_confirmed_on_the_page_without_script() -> None:
    form = WeighForm({"mass": "25.00"})
    page = render_to_string("parts/_field.html", {"field": form["mass"]})
    assert '<input type="checkbox" id="id_mass_meant" name="mass_meant" value="25.00">' in page


@pytest.mark.parametrize("typed", ["abc", "1.2.3", "12 kgs", "1,2,3", "--4"])
def test_what_is_no_number_is_named(typed: str) -> None:
    form = WeighForm({"mass": typed}, expected=None)
    assert codes(form) == ["not-a-number"]
    assert typed in str(form.errors["mass"])


def test_a_field_shows_unit_hint_and_error_beside_it_and_says_so_to_readers_aloud() -> None:
    form = WeighForm({"mass": ""})
    form.fields["mass"].help_text = "Net."
    page = render_to_string("parts/_field.html", {"field": form["mass"]})
    assert 'aria-describedby="id_mass_helptext id_mass_error"' in page
    assert 'id="id_mass_helptext"' in page
    assert 'id="id_mass_error"' in page
    assert '<span class="unit">g</span>' in page
