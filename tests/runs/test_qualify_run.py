"""Accepting an unqualified run: signed, with its reason, not by somebody who took part."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from lims.core.errors import Invalid, NotAllowed, WrongState
from lims.runs.models import Run
from lims.runs.services.runs import qualify_run
from lims.signatures.models import Signature
from lims.signatures.services import stands
from tests.comparisons.results import measure
from tests.factories import PASSWORD, make_application, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
STALE = {"code": "zero_stale", "severity": "blocks", "message": "the zero is 9 h old", "figures": ["gap"]}


def qualify(run: Run, **more: str) -> Run:
    content = {"reason": "zero repeated the same evening", "password": PASSWORD} | more
    return qualify_run(run, actor=somebody(Role.RIG_KEEPER), **content)


def test_an_unqualified_run_is_accepted_and_signed() -> None:
    run = qualify(measure(make_application(), 9.0, flags=[STALE]))
    signature = Signature.objects.get(subject_code=run.code)
    assert (run.state, run.reason) == ("accepted", "zero repeated the same evening")
    assert (signature.meaning, signature.content["doubts"][0]["code"]) == ("reviewed", "zero-stale")
    assert stands(signature)


def test_a_wrong_password_changes_nothing() -> None:
    run = measure(make_application(), 9.0, flags=[STALE])
    with pytest.raises(NotAllowed):
        qualify(run, password="wrong")
    run.refresh_from_db()
    assert run.state == "unqualified"
    assert not Signature.objects.exists()


def test_a_reason_is_needed() -> None:
    with pytest.raises(Invalid):
        qualify(measure(make_application(), 9.0, flags=[STALE]), reason=" ")


def test_an_accepted_run_is_not_qualified_again() -> None:
    with pytest.raises(WrongState):
        qualify(measure(make_application(), 9.0))


def test_on_the_page_and_in_the_interface(client) -> None:
    run = measure(make_application(), 9.0, flags=[STALE])
    client.force_login(somebody(Role.RIG_KEEPER))
    assert "Qualify" in client.get(f"/runs/{run.code}/").content.decode()
    content = {"reason": "zero repeated", "password": "wrong"}
    assert client.post(f"/runs/{run.code}/qualify/", content).status_code == 403
    answer = client.post(
        f"/api/runs/{run.code}/qualification/", content | {"password": PASSWORD}, content_type="application/json"
    )
    assert (answer.status_code, answer.json()["state"]) == (200, "accepted")
