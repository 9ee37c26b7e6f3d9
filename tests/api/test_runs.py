"""The programming interface of runs: what a rig's program or a script does."""

from __future__ import annotations

import base64
import hashlib

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from knox.models import AuthToken

from lims.accounts.models import Grant
from lims.accounts.roles import Role
from lims.files.models import StoredFile
from lims.runs.models import Reduction, Run
from tests.factories import make_application, person, somebody
from tests.runs.recordings import make_files
from tests.runs.test_perform_reduction import reduce_all

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
TABLE = b"\xef\xbb\xbftime [s],hot [degC]\r\n0,25.0\r\n"


@pytest.fixture
def send(client):
    """POST a file as a program with a token does it."""
    _, token = AuthToken.objects.create(user=somebody(Role.OPERATOR))

    def post(content: bytes, *, name: str = "run.csv", headers: dict | None = None, **about):
        return client.post(
            "/api/runs/",
            {"file": SimpleUploadedFile(name, content), **about},
            headers={"Authorization": f"Token {token}", **(headers or {})},
        )

    post.token = {"Authorization": f"Token {token}"}
    return post


def digest_header(content: bytes) -> dict[str, str]:
    return {"Content-Digest": f"sha-256=:{base64.b64encode(hashlib.sha256(content).digest()).decode()}:"}


def test_a_run_is_sent_asked_about_and_read_back(client, send) -> None:
    application, files = make_application(), make_files()
    zero = send(files.zero, name="zero.csv", kind="zero", rig=application.rig.code)
    assert zero.status_code == 201, zero.content
    made = send(files.run, application=application.code, headers=digest_header(files.run))
    assert made.status_code == 201, made.content
    code = made.json()["code"]
    assert made.json()["state"] == "checking"
    reduce_all()
    run = client.get(f"/api/runs/{code}/", headers=send.token).json()
    assert run["state"] == "accepted"
    assert run["zero"] == zero.json()["code"]
    assert run["sha256"] == hashlib.sha256(files.run).hexdigest()
    rise = run["figures"]["temperature_rise"]
    assert rise["unit"] == "K"
    assert rise["u"] > 0
    reductions = client.get(f"/api/runs/{code}/reductions/", headers=send.token).json()["results"]
    assert [r["code"] for r in reductions] == [run["current"]]
    result = client.get(f"/api/reductions/{run['current']}/result/", headers=send.token).json()
    assert result == Reduction.objects.get(code=run["current"]).result
    curves = client.get(f"/api/reductions/{run['current']}/traces/", {"pixels": 200}, headers=send.token).json()
    assert len(curves["data"]) == 6
    file = client.get(f"/api/runs/{code}/file/", headers=send.token)
    assert b"".join(file.streaming_content) == files.run
    assert file.headers["Repr-Digest"] == digest_header(files.run)["Content-Digest"]
    file.close()


def test_another_digest_than_the_header_says_stores_nothing(send) -> None:
    application = make_application()
    answer = send(TABLE, application=application.code, headers=digest_header(TABLE + b"x"))
    assert answer.status_code == 422
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert answer.json()["code"] == "digest-mismatch"
    assert not StoredFile.objects.exists()


def test_a_digest_that_is_none_is_refused(send) -> None:
    answer = send(TABLE, application=make_application().code, headers={"Content-Digest": "md5=:abc:"})
    assert answer.json()["code"] == "bad-digest"


def test_the_same_key_and_file_give_the_same_answer_and_other_content_is_refused(send) -> None:
    application = make_application()
    key = {"Idempotency-Key": '"8e03978e-40d5"'}
    first = send(TABLE, application=application.code, headers=key)
    assert send(TABLE, application=application.code, headers=key).json()["code"] == first.json()["code"]
    other = send(TABLE + b"1,2\r\n", application=application.code, headers=key)
    assert (other.status_code, other.json()["code"]) == (422, "key-reused")
    assert Run.objects.count() == 1


def test_the_same_bytes_are_refused_with_the_run_that_holds_them(send) -> None:
    application = make_application()
    first = send(TABLE, application=application.code).json()
    again = send(TABLE, name="other.csv", application=application.code)
    assert again.status_code == 409
    assert again.json()["record"] == first["code"]
    assert again.json()["uploaded_by"]
    assert again.json()["uploaded_at"]


def test_a_file_of_another_rig_is_refused_and_both_are_named(send) -> None:
    application = make_application()
    answer = send(b"# rig serial: 0172\n" + TABLE, application=application.code)
    assert answer.status_code == 422
    assert answer.json()["in_file"] == "0172"
    assert answer.json()["in_form"] == application.rig.code


@pytest.mark.parametrize(("content", "code"), [(b"MZ" + bytes(9), "file-executable"), (bytes(99), "file-type")])
def test_what_no_rig_writes_has_a_code_of_its_own(send, content: bytes, code: str) -> None:
    answer = send(content, application=make_application().code)
    assert (answer.status_code, answer.json()["code"]) == (422, code)


def test_an_unknown_application_is_not_found(send) -> None:
    assert send(TABLE, application="A-9999").status_code == 404


def test_a_window_needs_both_ends(client, send) -> None:
    application, files = make_application(), make_files()
    code = send(files.run, application=application.code).json()["code"]
    reduce_all()
    address = f"/api/runs/{code}/reductions/"
    half = client.post(address, {"start": 900, "reason": "x"}, headers=send.token, content_type="application/json")
    assert half.status_code == 422
    whole = {"start": 900, "end": 1200, "reason": "tap at 1250 s"}
    made = client.post(address, whole, headers=send.token, content_type="application/json")
    assert made.status_code == 201, made.content
    busy = client.post(address, {"reason": "again"}, headers=send.token, content_type="application/json")
    assert (busy.status_code, busy.json()["code"]) == (409, "reduction-at-work")


def test_a_flag_is_set_aside_by_quality_and_not_by_who_did_the_work(client, send) -> None:
    application, files = make_application(), make_files()
    code = send(files.run, application=application.code).json()["code"]
    reduce_all()
    run = Run.objects.get(code=code)
    address, content = f"/api/reductions/{run.current.code}/overrides/", {"flag": "zero_missing", "reason": "closed"}
    assert client.post(address, content, headers=send.token, content_type="application/json").status_code == 403
    Grant(user=somebody(Role.OPERATOR), role=Role.QUALITY, reason="small laboratory").save()
    own = client.post(address, content, headers=send.token, content_type="application/json")
    assert (own.status_code, own.json()["code"]) == (403, "own-work")
    _, token = AuthToken.objects.create(user=person(Role.QUALITY, username="second"))
    other = {"Authorization": f"Token {token}"}
    made = client.post(address, content, headers=other, content_type="application/json")
    assert made.status_code == 201, made.content
    again = client.post(address, content, headers=other, content_type="application/json")
    assert (again.status_code, again.json()["code"]) == (409, "flag-set-aside")
    assert client.get(f"/api/runs/{code}/", headers=other).json()["state"] == "accepted"


def test_a_broken_off_run_is_noted_by_who_applied_it(client, send) -> None:
    application = make_application()
    content = {"application": application.code, "reason": "leak"}
    made = client.post("/api/runs/aborted/", content, headers=send.token, content_type="application/json")
    assert (made.status_code, made.json()["state"]) == (201, "aborted")
    _, token = AuthToken.objects.create(user=person(Role.OPERATOR, username="another"))
    other = client.post(
        "/api/runs/aborted/", content, headers={"Authorization": f"Token {token}"}, content_type="application/json"
    )
    assert (other.status_code, other.json()["code"]) == (403, "not-own-record")


def test_zeros_are_chosen_by_hand(client, send) -> None:
    application, files = make_application(), make_files()
    zero = send(files.zero, name="zero.csv", kind="zero", rig=application.rig.code).json()["code"]
    code = send(files.run, application=application.code).json()["code"]
    reduce_all()
    content = {"zero": None, "reason": "dirty blocks"}
    done = client.post(f"/api/runs/{code}/zeros/", content, headers=send.token, content_type="application/json")
    assert done.status_code == 200, done.content
    assert (done.json()["zero"], done.json()["zeros_by_hand"]) == (None, True)
    assert zero


def test_the_list_is_narrowed_and_paged(client, send) -> None:
    application = make_application()
    codes = {send(TABLE + f"{n},1\r\n".encode(), application=application.code).json()["code"] for n in range(3)}
    page = client.get("/api/runs/", {"state": "checking", "size": 2}, headers=send.token).json()
    assert len(page["results"]) == 2
    rest = client.get(page["next"], headers=send.token).json()
    assert {run["code"] for run in page["results"] + rest["results"]} == codes
    assert client.get("/api/runs/", {"state": "nonsense"}, headers=send.token).status_code == 422


def test_without_a_token_nothing_is_told(client) -> None:
    assert client.get("/api/runs/").status_code == 401
