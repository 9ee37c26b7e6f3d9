"""Reports and certificates over the interface."""

from __future__ import annotations

import hashlib

import pytest
from knox.models import AuthToken

from lims.accounts.roles import Role
from lims.comparisons.services import pose_comparison
from lims.materials import services as materials
from lims.quality import services
from lims.signatures.services import canonical
from tests.comparisons.results import put_on
from tests.factories import PASSWORD, add_d50, make_lot, make_method_version, make_rig, make_specification, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
ASKED = {
    "customer": "Aldermoor Pumps",
    "customer_contact": "3 Weir Lane",
    "sampling": "one scoop from each bag",
    "password": PASSWORD,
}


@pytest.fixture
def ask(client):
    tokens: dict[Role, str] = {}

    def send(role: Role, method: str, address: str, content: dict | None = None):
        if role not in tokens:
            tokens[role] = AuthToken.objects.create(user=somebody(role))[1]
        headers = {"Authorization": f"Token {tokens[role]}"}
        call = getattr(client, method)
        return call(f"/api/{address}", content, headers=headers, content_type="application/json")

    return send


def test_a_certificate_is_refused_with_its_reasons_then_issued_read_and_amended(ask, client) -> None:
    lot = make_lot()
    make_specification(lot.material)
    refused = ask(Role.QUALITY, "post", f"lots/{lot.code}/certificates/", ASKED)
    assert (refused.status_code, refused.json()["code"]) == (409, "certificate-blocked")
    assert any("needs a release" in words for words in refused.json()["missing"])
    client.force_login(somebody(Role.QUALITY))
    page = client.get(f"/certificates/new/lot/{lot.code}/").content.decode()
    assert "needs a release or a concession" in page
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    add_d50(lot)
    services.release_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD)
    assert ask(Role.CHEMIST, "post", f"lots/{lot.code}/certificates/", ASKED).status_code == 403
    made = ask(Role.QUALITY, "post", f"lots/{lot.code}/certificates/", ASKED)
    assert made.status_code == 201, made.content
    code = made.json()["code"]
    assert (made.json()["state"], made.json()["broken"]) == ("issued", [])
    assert made.json()["signatures"][0]["meaning"] == "approved"
    assert ask(Role.OPERATOR, "get", f"certificates/{code}/").status_code == 403
    file = ask(Role.MANAGER, "get", f"certificates/{code}/file/")
    assert hashlib.sha256(file.content).hexdigest() == made.json()["file_digest"]
    amended = ask(
        Role.QUALITY, "post", f"certificates/{code}/amend/", ASKED | {"sampling": "two scoops", "reason": "a slip"}
    )
    assert amended.status_code == 200, amended.content
    assert ask(Role.QUALITY, "get", f"certificates/{code}/").json()["state"] == "superseded"
    newest = f"{code.partition('/')[0]}/2"
    assert ask(Role.QUALITY, "get", f"certificates/{newest}/").json()["changes"] == ["the sampling changed"]
    page = client.get(f"/certificates/{code}/").content.decode()
    assert f"Replaced by issue 2, {newest}." in page
    assert newest in client.get(f"/lots/{lot.code}/").content.decode()
    assert newest in client.get("/certificates/").content.decode()
    amending = client.post(
        f"/certificates/{newest}/amend/", {**ASKED, "customer_contact": "4 Weir Lane", "reason": "they moved"}
    )
    assert amending.url == f"/certificates/{code.partition('/')[0]}/3/"
    client.force_login(somebody(Role.OPERATOR))
    assert client.get(f"/certificates/{code}/").status_code == 403
    assert newest not in client.get(f"/lots/{lot.code}/").content.decode()


def test_a_report_is_issued_its_content_has_its_digest_and_it_is_withdrawn(ask) -> None:
    place = {"rig": make_rig(), "version": make_method_version()}
    a, b = (put_on([rise], name=name, **place) for rise, name in ((9.0, "a"), (9.5, "b")))
    posed = pose_comparison(
        actor=somebody(Role.CHEMIST), title="which", method_version=place["version"], samples=[a, b]
    )
    assert ask(Role.CHEMIST, "post", f"comparisons/{posed.code}/reports/", {"password": PASSWORD}).status_code == 403
    made = ask(Role.MANAGER, "post", f"comparisons/{posed.code}/reports/", {"password": PASSWORD})
    assert made.status_code == 201, made.content
    code = made.json()["code"]
    found = ask(Role.CHEMIST, "get", f"reports/{code}/content/").json()
    assert hashlib.sha256(canonical(found["content"]).encode()).hexdigest() == made.json()["digest"]
    assert ask(Role.CHEMIST, "get", f"reports/{code}/files/xlsx/").content.startswith(b"PK")
    assert ask(Role.CHEMIST, "get", f"reports/{code}/files/odt/").status_code == 404
    gone = ask(Role.QUALITY, "post", f"reports/{code}/withdraw/", {"password": PASSWORD, "reason": "wrong syringe"})
    assert gone.json()["state"] == "withdrawn", gone.content
    assert [one["meaning"] for one in gone.json()["signatures"]] == ["approved", "withdrawn"]
