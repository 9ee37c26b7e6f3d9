"""A supplier's symbol (IDL-06): product, lot, dates, serial; separator, day 00, century, check digit."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lims.core.errors import Invalid
from lims.materials.gs1 import check_digit, check_gtin, read_symbol

TODAY = date(2026, 11, 25)
GTIN = "08904000210037"
GS = "\x1d"


def read(text: str):
    return read_symbol(text, today=TODAY)


@pytest.mark.parametrize(
    ("digits", "expected"),
    [
        ("890400021003", 7),  # worked example, gs1india.org/SERV/checkdgt.htm
        ("730001100001", 7),  # worked example, gs1.se, "Så beräknas kontrollsiffran"
    ],
)
def test_the_check_digit_is_that_of_the_published_examples(digits: str, expected: int) -> None:
    assert check_digit(digits) == expected
    assert check_gtin(f"0{digits}{expected}") == f"0{digits}{expected}"


@given(place=st.integers(0, 13), wrong=st.integers(1, 9))
@settings(max_examples=60, deadline=None)
def test_every_single_wrong_digit_is_refused(place: int, wrong: int) -> None:
    digit = (int(GTIN[place]) + wrong) % 10
    with pytest.raises(Invalid, match="check digit"):
        check_gtin(f"{GTIN[:place]}{digit}{GTIN[place + 1 :]}")


@pytest.mark.parametrize("start", ["", "]C1", "]d2", "]Q3"])
@pytest.mark.parametrize("mark", [GS, "{GS}", "␝", "|"])
def test_a_symbol_gives_product_lot_dates_and_serial(start: str, mark: str) -> None:
    found = read(f"{start}01{GTIN}10QX-22/81{mark}11260301" + "17280200" + "21A0017")
    assert (found.gtin, found.lot, found.serial) == (GTIN, "QX-22/81", "A0017")
    assert found.made_on == date(2026, 3, 1)
    assert found.expires_on == date(2028, 2, 29)  # day 00 is the last of the month, here of a leap year


def test_the_printed_form_with_brackets_and_a_net_mass_are_read_too() -> None:
    found = read(f"(01){GTIN}(17)271231(3103)025500(10)17280200")
    assert (found.lot, found.expires_on, found.mass) == ("17280200", date(2027, 12, 31), Decimal("25.500"))


@pytest.mark.parametrize(
    ("short", "expected"),
    # General Specifications 7.12: 51 years ahead or more is the century before, 50 years back or more the next
    [("760101", date(2076, 1, 1)), ("770101", date(1977, 1, 1)), ("990101", date(1999, 1, 1))],
)
def test_the_century_is_the_one_that_lies_nearest(short: str, expected: date) -> None:
    assert read(f"17{short}").expires_on == expected


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "Nothing was scanned"),
        ("0108904000210038", "the check digit is 8, 7 is expected"),
        ("17261301", "there is no month 13"),
        ("17260231", "month 2 of 2026 has 28 days"),
        ("1728020", "six digits"),
        ("990123", "At character 1, '9901' is no identifier"),
        (f"01{GTIN}10" + "A" * 21, "21 characters, 1 to 20"),
        (f"01{GTIN}10A{GS}10B", "stands there twice"),
        ("00123456789012345678", "nothing that a receipt asks for"),
    ],
)
def test_what_cannot_be_read_is_named(text: str, words: str) -> None:
    with pytest.raises(Invalid, match=words) as refused:
        read(text)
    assert refused.value.code == "bad-symbol"
