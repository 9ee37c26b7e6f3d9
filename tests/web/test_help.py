"""Help: every figure and flag, a first hour for each role, keys that can be switched off."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from lims.accounts.roles import Role
from lims.audit.models import Entry
from lims.runs.explaining import FIGURES, FLAGS
from lims.web.first_hour import FIRST_HOURS
from tests.factories import make_lot, person

pytestmark = pytest.mark.django_db


def test_help_explains_every_figure_and_flag(client: Client) -> None:
    client.force_login(person(Role.OPERATOR))
    shown = client.get(reverse("help")).content.decode()
    assert [key for key in FIGURES if f'id="figure-{key}"' not in shown] == []
    assert [code for code in FLAGS if f'id="flag-{code}"' not in shown] == []


@pytest.mark.parametrize("role", FIRST_HOURS)
def test_a_first_hour_leads_only_to_pages_the_role_may_open(role: Role, client: Client) -> None:
    client.force_login(person(role))
    found = {step.url_name: client.get(reverse(step.url_name)).status_code for step in FIRST_HOURS[role]}
    assert found == dict.fromkeys(found, 200)


def test_today_shows_the_first_hour_until_it_is_put_away(client: Client) -> None:
    client.force_login(person(Role.MANAGER))
    assert "Your first hour" in client.get("/").content.decode()
    client.post(reverse("first-hour-switch"), {"off": "yes"})
    assert "Your first hour" not in client.get("/").content.decode()


def test_today_shows_no_first_hour_to_somebody_who_has_worked(client: Client) -> None:
    make_lot()
    client.force_login(Entry.objects.filter(act="lot.receive").get().actor)
    assert "Your first hour" not in client.get("/").content.decode()


def test_keys_can_be_switched_off_and_on(client: Client) -> None:
    client.force_login(person(Role.CHEMIST))
    assert 'data-keys="/help/keys/"' in client.get("/help/keys/").content.decode()
    client.post(reverse("keys-switch"), {"off": "yes"})
    assert "data-keys" not in client.get("/help/keys/").content.decode()
    client.post(reverse("keys-switch"), {"off": "no"})
    assert "data-keys" in client.get("/help/keys/").content.decode()
