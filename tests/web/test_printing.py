"""Several labels printed at once, of several kinds, in a format of the laboratory's own."""

import pytest

from lims.accounts.roles import Role
from lims.samples.models import LabelFormat
from tests.factories import make_lot, make_rig, make_sample, somebody

pytestmark = pytest.mark.django_db


def test_a_format_is_kept_and_labels_of_several_kinds_are_printed_in_it(client):
    client.force_login(somebody(Role.OPERATOR))
    sizes = {"name": "21 to a sheet", "medium": "sheet", "width": "63.5", "height": "38.1", "columns": "3", "rows": "7"}
    sizes |= {
        "page_width": "210",
        "page_height": "297",
        "margin_left": "7.2",
        "margin_top": "15.1",
        "pitch_across": "66",
    }
    refused = client.post("/labels/formats/new/", sizes | {"columns": "4"})
    assert refused.status_code == 422
    assert "the page is 210 mm wide" in refused.content.decode()
    assert client.post("/labels/formats/new/", sizes | {"pitch_down": "38.1"}).status_code == 302
    row = LabelFormat.objects.get()
    sample, lot, rig = make_sample(), make_lot(), make_rig()
    sent = {"codes": f"{sample.code} {lot.code}, {rig.code}", "format": row.name, "start": "5", "copies": "2"}
    made = client.post("/labels/", sent)
    assert made.status_code == 200, made.content.decode()
    assert made["Content-Type"] == "application/pdf"
    assert made.content.startswith(b"%PDF")
    beyond = client.post("/labels/", sent | {"start": "22"})
    assert beyond.status_code == 422
    assert "A page holds 21" in beyond.content.decode()
    other = client.post("/labels/", sent | {"codes": "C-0001"})
    assert "C-0001 is a comparison; labels are printed for" in other.content.decode()
    assert client.post(f"/labels/formats/{row.name}/retire/").status_code == 302
    assert row.name not in client.get("/labels/").content.decode()


def test_the_interface_prints_labels_and_keeps_formats(client):
    client.force_login(somebody(Role.OPERATOR))
    small = {"name": "small", "medium": "printer", "width": 40, "height": 20}
    assert client.post("/api/label-formats/", small, content_type="application/json").status_code == 201
    assert [row["name"] for row in client.get("/api/label-formats/").json()["results"]] == ["small"]
    asked = {"codes": [make_sample().code], "format": "small"}
    made = client.post("/api/labels/", asked, content_type="application/json")
    assert made.content.startswith(b"%PDF")
    unknown = client.post("/api/labels/", asked | {"format": "round"}, content_type="application/json")
    assert unknown.status_code == 404
    assert "no format of labels called 'round'" in unknown.json()["detail"]
