"""The page of a trace: a drawing, tables beside it, the recall list, who was told."""

import pytest

from lims.accounts.roles import Role
from tests.factories import make_made_batch, somebody

pytestmark = pytest.mark.django_db


def test_the_trace_of_a_lot_is_drawn_and_listed_and_told(client):
    batch = make_made_batch()
    lot = batch.lines.first().weighings.first().lot
    client.force_login(somebody(Role.QUALITY))
    assert f'href="/trace/lot/{lot.code}/"' in client.get(f"/lots/{lot.code}/").content.decode()
    page = client.get(f"/trace/lot/{lot.code}/").content.decode()
    assert "<svg" in page
    assert page.count(f'href="/batches/{batch.code}/"') == 2
    refused = client.post(f"/trace/lot/{lot.code}/tell/", {"told": "", "way": "mail", "words": "stop"})
    assert refused.status_code == 422
    assert "stop" in refused.content.decode()
    sent = {"told": "Mr Ode", "way": "mail", "told_at": "2026-01-05T10:00", "words": "stop using it"}
    assert client.post(f"/trace/lot/{lot.code}/tell/", sent).status_code == 302
    assert "Mr Ode" in client.get(f"/trace/lot/{lot.code}/").content.decode()
    file = client.get(f"/trace/lot/{lot.code}/recall.csv")
    assert batch.code in b"".join(file.streaming_content).decode()


def test_the_interface_gives_the_trace_and_keeps_who_was_told(client):
    batch = make_made_batch()
    lot = batch.lines.first().weighings.first().lot
    client.force_login(somebody(Role.QUALITY))
    back = client.get(f"/api/trace/batch/{batch.code}/?direction=back").json()
    assert lot.code in {node["code"] for node in back["nodes"]}
    assert back["counts"]["lot"] == 2
    assert client.get(f"/api/trace/batch/{batch.code}/?direction=up").status_code == 422
    told = {"told": "Mr Ode", "way": "mail", "told_at": "2026-01-05T10:00:00Z", "words": "stop"}
    assert client.post(f"/api/trace/lot/{lot.code}/told/", told, content_type="application/json").status_code == 201
    assert client.get(f"/api/trace/lot/{lot.code}/told/").json()["results"][0]["told"] == "Mr Ode"
