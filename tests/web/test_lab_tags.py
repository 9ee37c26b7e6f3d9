"""The tags that write figures, states, times and codes. Instants: ISO 8601."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from django.template import Context, Template
from django.utils import timezone

from lims.accounts.roles import RIGHTS, Role
from lims.web.forms.fields import NumberField
from lims.web.navigation import GROUPS
from lims.web.states import KINDS, kind_of
from lims.web.templatetags.lab import changed_value
from lims.web.templatetags.masses import least_grams, most_grams
from tests.factories import everybody, person

MOMENT = datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def written(text: str, **context: object) -> str:
    """A template's text with `lab` loaded."""
    return Template("{% load lab %}" + text).render(Context(context)).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("zone", "text"),
    [
        ("Europe/Vienna", "2026-03-29 03:30 +02:00"),
        ("America/St_Johns", "2026-03-28 23:00 -02:30"),
        ("UTC", "2026-03-29 01:30 +00:00"),
    ],
)
def test_readers_in_different_zones_see_the_same_instant_with_their_offset(zone: str, text: str) -> None:
    with timezone.override(ZoneInfo(zone)):
        page = written("{% when moment %}", moment=MOMENT)
    assert text in page
    assert 'datetime="2026-03-29T01:30:00+00:00"' in page


def test_a_date_alone_has_no_clock() -> None:
    assert ">2026-11-25<" in written("{% when day %}", day=date(2026, 11, 25))


def test_no_instant_is_said_in_a_word() -> None:
    assert written("{% when nothing %}", nothing=None) == "never"


def test_a_figure_shows_interval_and_unit_and_keeps_all_digits_in_its_title() -> None:
    page = written("{% figure f %}", f={"value": 12.3456, "unit": "mm^2*K/W", "U95": 0.5973, "k": 2.0})
    assert "12.35" in page
    assert "± 0.60" in page
    assert "mm²·K/W" in page
    assert 'title="12.3456 ± 0.5973 mm²·K/W at 95 %, k = 2.00"' in page


def test_a_missing_figure_is_said_in_a_word() -> None:
    assert "none" in written("{% figure nothing %}", nothing=None)


def test_a_state_is_a_word_and_a_shape_hidden_from_readers_aloud() -> None:
    page = written(
        "{% state record %}", record=SimpleNamespace(state="under_test", get_state_display=lambda: "under test")
    )
    assert "under test" in page
    assert '<svg class="shape shape-working"' in page
    assert 'aria-hidden="true"' in page


def test_no_state_has_two_shapes() -> None:
    words = [word for states in KINDS.values() for word in states]
    assert len(words) == len(set(words))


def test_a_state_nobody_listed_still_has_a_word_and_a_shape() -> None:
    assert kind_of("somewhere") == "note"
    assert "somewhere" in written("{% state 'somewhere' %}")


@pytest.mark.parametrize("code", ["S-0311", "F-012/3", "not a code", "<b>", ""])
def test_a_code_is_shown_whole_and_escaped_whether_it_has_a_page_or_not(code: str) -> None:
    page = written("{% code_link code %}", code=code)
    assert code.replace("<b>", "&lt;b&gt;") in page
    assert "<b>" not in page


def test_an_act_is_said_in_words() -> None:
    assert written("{{ 'lot.withdraw_release'|act_words }}") == "withdraw release"


def test_every_right_of_the_navigation_stands_in_the_table_of_rights() -> None:
    assert {e.right for group in GROUPS for e in group.entries if e.right} <= set(RIGHTS)


@pytest.mark.django_db
def test_each_role_sees_the_entries_it_has_a_right_to(client) -> None:
    for user in everybody().values():
        client.force_login(user)
        groups = client.get("/look/").context["navigation"]
        shown = {entry["label"] for group in groups for entry in group["entries"]}
        allowed = {e.label for group in GROUPS for e in group.entries if not e.right or user.may(e.right)}
        assert shown <= allowed
        assert ("Records" in shown) == user.may("history.read")


@pytest.mark.django_db
def test_a_page_names_the_person_and_the_roles(client) -> None:
    client.force_login(person(Role.QUALITY, username="mo"))
    page = client.get("/look/").content.decode()
    assert "Mo" in page
    assert "<small>quality</small>" in page


@pytest.mark.django_db
def test_no_page_part_has_inline_styles_scripts_or_handlers(client) -> None:
    client.force_login(person(Role.CHEMIST, username="ida"))
    page = client.get("/look/").content.decode()
    assert " style=" not in page
    assert " onclick=" not in page
    assert "<script>" not in page
    assert "//cdn" not in page


def test_the_parts_for_looking_at_are_not_there_outside_a_trial(client, settings) -> None:
    settings.TRIAL = settings.DEBUG = False
    assert client.get("/look/").status_code == 404


@pytest.mark.parametrize(
    ("typed", "number"),
    [
        ("25,3", "25.3"),
        ("1 234,5", "1234.5"),
        ("250 g", "250"),
        ("2.50", "2.50"),
        ("1,234,567", "1234567"),
        ("0,125", "0.125"),
    ],
)
def test_a_number_field_takes_comma_point_and_its_own_unit(typed: str, number: str) -> None:
    assert str(NumberField(unit="g").clean(typed)) == number


@pytest.mark.parametrize(
    ("kilograms", "least", "most"),
    [("0.04601875", "46.019", "46.018"), ("0.25", "250", "250"), ("0.0000012", "0.0012", "0.0012")],
)
def test_an_allowed_range_is_rounded_inward_to_a_milligram(kilograms: str, least: str, most: str) -> None:
    assert (least_grams(Decimal(kilograms)), most_grams(Decimal(kilograms))) == (least, most)


@pytest.mark.parametrize(
    ("value", "field", "words"),
    [
        (None, "mass", "nothing"),
        ("under_test", "state", "under test"),
        ("5.000000000", "mass", "5"),
        ("250", "rows", "250"),
        (["LOT-0001", 2], "lots", "LOT-0001, 2"),
    ],
)
def test_a_value_in_the_history_is_written_as_people_write_it(value: object, field: str, words: str) -> None:
    assert changed_value(value, field) == words


def test_an_instant_in_the_history_is_told_in_the_readers_zone() -> None:
    assert "2026-10-12" in changed_value("2026-10-12T09:00:00+00:00", "test_began_at")
    assert "<time" in changed_value("2026-10-12T09:00:00+00:00", "test_began_at")
