"""Tokens reach no further than their scope; sessions are seen and ended by their person."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from lims.accounts.models import SignedIn, User
from lims.accounts.roles import Role
from lims.accounts.services import create_token, end_token
from lims.core.errors import Invalid, NotAllowed, NotFound
from tests.factories import PASSWORD, make_rig, person

pytestmark = pytest.mark.django_db


def bearer(text: str) -> dict[str, str]:
    """The header that carries a token."""
    return {"Authorization": f"Token {text}"}


def test_a_reading_token_reads_and_writes_nothing(client: Client) -> None:
    token = create_token(actor=person(Role.CHEMIST), scope="reading").text
    assert client.get("/api/lots/", headers=bearer(token)).status_code == 200
    refused = client.post("/api/lots/", {}, content_type="application/json", headers=bearer(token))
    assert refused.status_code == 403
    assert refused.json()["code"] == "token-scope"


def test_a_token_for_one_rig_sends_runs_of_that_rig_only(client: Client, file_store) -> None:
    rig, other = make_rig("bench-1"), make_rig("bench-2")
    service, administrator = person(Role.SERVICE), person(Role.ADMINISTRATOR)
    token = create_token(actor=administrator, owner=service, scope="runs of one rig", rig=rig.code).text
    assert client.get("/api/lots/", headers=bearer(token)).status_code == 403
    for code, status in ((rig.code, 201), (other.code, 403), ("", 403)):
        content = SimpleUploadedFile("run.csv", f"time [s],hot [degC]\n0,20\n1,21\n2,{len(code)}.5\n".encode())
        body = {"file": content, "kind": "zero"} | ({"rig": code} if code else {})
        answer = client.post("/api/runs/", body, headers=bearer(token))
        assert answer.status_code == status, answer.content


def test_a_token_names_a_known_scope_and_a_rig_only_where_due() -> None:
    user = person(Role.CHEMIST)
    for scope, rig in (("all of it", ""), ("reading", "RIG-0001"), ("runs of one rig", "")):
        with pytest.raises(Invalid):
            create_token(actor=user, scope=scope, rig=rig)


def test_nobody_makes_a_token_for_another_person_or_without_the_right_for_a_computer() -> None:
    chemist, service = person(Role.CHEMIST), person(Role.SERVICE)
    with pytest.raises(NotAllowed):
        create_token(actor=person(Role.ADMINISTRATOR), owner=chemist)
    with pytest.raises(NotAllowed):
        create_token(actor=chemist, owner=service)


def test_an_ended_token_is_refused_at_the_next_request_and_only_its_person_ends_it(client: Client) -> None:
    user = person(Role.CHEMIST)
    token = create_token(actor=user)
    with pytest.raises(NotFound):
        end_token(token.row, actor=person(Role.OPERATOR))
    end_token(token.row, actor=user)
    assert client.get("/api/me/", headers=bearer(token.text)).status_code == 401


def test_a_person_sees_the_sessions_opened_and_ends_another_one() -> None:
    user = person(Role.CHEMIST)
    here, there = Client(), Client()
    for browser in (here, there):
        browser.post("/sign-in/", {"username": user.username, "password": PASSWORD}, headers={"User-Agent": "a tablet"})
    assert "a tablet" in here.get("/account/").content.decode()
    other = SignedIn.objects.get(session_id=there.session.session_key)
    assert here.post(f"/account/sessions/{other.pk}/end/").status_code == 302
    assert there.get("/account/").status_code == 302
    assert here.get("/account/").status_code == 200
    stranger = Client()
    stranger.force_login(User.objects.get(pk=person(Role.OPERATOR).pk))
    assert stranger.post(f"/account/sessions/{SignedIn.objects.get().pk}/end/").status_code == 404
