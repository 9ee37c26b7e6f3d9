"""Taking run files in: stored once, placed rightly, refused with both sides named, safe to repeat."""

from __future__ import annotations

import hashlib
import io
import threading

import pytest
from django.core.files.storage import default_storage
from django.db import connections

from lims.accounts.roles import Role
from lims.audit.models import Entry
from lims.core.errors import Conflict, Invalid, NotAllowed, TooLarge
from lims.files.models import StoredFile
from lims.runs.models import Reduction, Run
from lims.runs.services.runs import record_zero, upload_run
from lims.runs.states import ApplicationState
from lims.samples.models import Sample
from tests.factories import make_application, make_rig, make_sample, person, somebody

TABLE = b"\xef\xbb\xbftime [s],hot [degC]\r\n0,25.0\r\n1,25.1\r\n"


def send(content: bytes = TABLE, *, name: str = "run.csv", actor=None, **about) -> Run:
    return upload_run(actor=actor or somebody(Role.OPERATOR), content=io.BytesIO(content), name=name, **about)


def noted(**notes: str) -> bytes:
    return "".join(f"# {key}: {value}\n" for key, value in notes.items()).encode() + TABLE


@pytest.mark.django_db
def test_the_file_is_kept_byte_for_byte_and_its_reduction_waits(file_store) -> None:
    run = send(application=make_application())
    assert run.file.sha256 == hashlib.sha256(TABLE).hexdigest()
    with default_storage.open(run.file.path, "rb") as stored:
        assert stored.read() == TABLE
    assert (run.state, run.kind) == ("checking", "sample")
    assert run.reductions.get().state == "queued"


@pytest.mark.django_db
def test_one_entry_of_the_history_names_who_and_what(file_store) -> None:
    run = send(application=make_application())
    entry = Entry.objects.get(act="run.upload")
    assert (entry.subject_code, entry.actor) == (run.code, somebody(Role.OPERATOR))


@pytest.mark.django_db
def test_the_same_bytes_under_another_name_are_refused_with_the_run_that_holds_them(file_store) -> None:
    application = make_application()
    first = send(application=application)
    with pytest.raises(Conflict) as caught:
        send(name="other.csv", application=application)
    assert caught.value.code == "run-exists"
    assert caught.value.extra["record"] == first.code
    assert first.uploaded_by.printed_name in caught.value.message
    assert first.code in caught.value.message
    assert Run.objects.count() == 1


@pytest.mark.django_db
def test_the_same_key_and_bytes_give_the_same_run(file_store) -> None:
    application = make_application()
    first = send(application=application, key="k1")
    assert send(application=application, key="k1") == first
    assert Reduction.objects.count() == 1


@pytest.mark.django_db
def test_the_same_key_with_other_bytes_is_refused(file_store) -> None:
    application = make_application()
    send(application=application, key="k1")
    with pytest.raises(Invalid) as caught:
        send(TABLE + b"2,25.2\n", application=application, key="k1")
    assert caught.value.code == "key-reused"


@pytest.mark.django_db
def test_another_digest_than_stated_stores_nothing(file_store) -> None:
    application = make_application()
    with pytest.raises(Invalid) as caught:
        send(application=application, digest="0" * 64)
    assert caught.value.code == "digest-mismatch"
    assert not StoredFile.objects.exists()
    assert not list(file_store.rglob("*"))


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("content", "code"), [(b"", "file-empty"), (b"MZ" + bytes(40), "file-executable"), (bytes(40), "file-type")]
)
def test_what_no_rig_writes_leaves_nothing_behind(content: bytes, code: str, file_store) -> None:
    application = make_application()
    with pytest.raises(Invalid) as caught:
        send(content, application=application)
    assert caught.value.code == code
    assert not list(file_store.rglob("*"))
    assert not Run.objects.exists()


@pytest.mark.django_db
def test_the_day_s_quota_of_a_person_is_kept(file_store, settings) -> None:
    application = make_application()
    send(application=application)
    settings.UPLOAD_QUOTA_BYTES = len(TABLE) + 10
    with pytest.raises(TooLarge) as caught:
        send(TABLE + b"2,25.2\n", application=application)
    assert caught.value.code == "quota-used-up"
    assert StoredFile.objects.count() == 1


# Where it belongs


@pytest.mark.django_db
def test_another_rig_in_the_file_than_in_the_form_is_refused_and_both_are_named(file_store) -> None:
    application = make_application()
    other = make_rig("south")
    with pytest.raises(Invalid) as caught:
        send(noted(rig="south"), application=application)
    assert caught.value.code == "file-contradicts-form"
    assert "south" in caught.value.message
    assert application.rig.code in caught.value.message
    assert other.name in caught.value.message
    assert not list(file_store.rglob("*"))


@pytest.mark.django_db
def test_another_sample_in_the_file_than_in_the_form_is_refused_and_both_are_named(file_store) -> None:
    application = make_application()
    with pytest.raises(Invalid) as caught:
        send(noted(sample="S-9999"), application=application)
    assert caught.value.code == "file-contradicts-form"
    assert "S-9999" in caught.value.message
    assert application.sample.code in caught.value.message


@pytest.mark.django_db
def test_another_application_in_the_file_than_in_the_form_is_refused(file_store) -> None:
    application = make_application()
    with pytest.raises(Invalid, match="A-9999"):
        send(noted(application="A-9999"), application=application)


@pytest.mark.django_db
def test_what_the_file_says_places_it(file_store) -> None:
    rig = make_rig()
    first, second = make_application(rig=rig), make_application(rig=rig)
    assert send(noted(application=second.code)).application == second
    assert send(noted(sample=first.sample.code, rig=rig.name)).application == first
    assert send(TABLE + b"3,2\n", name=f"night {first.code}.csv").application == first


@pytest.mark.django_db
def test_the_only_open_application_of_a_rig_is_taken(file_store) -> None:
    application = make_application()
    assert send(noted(rig=application.rig.name)).application == application


@pytest.mark.django_db
def test_several_open_applications_are_asked_about(file_store) -> None:
    rig = make_rig()
    codes = {make_application(rig=rig).code, make_application(rig=rig).code}
    with pytest.raises(Invalid) as caught:
        send(noted(rig=rig.name))
    assert caught.value.code == "application-unknown"
    assert set(caught.value.extra["candidates"]) == codes


@pytest.mark.django_db
def test_a_file_that_says_nothing_is_asked_about(file_store) -> None:
    make_application()
    with pytest.raises(Invalid) as caught:
        send()
    assert caught.value.code == "application-unknown"


@pytest.mark.django_db
def test_an_application_not_yet_put_on_takes_no_run(file_store) -> None:
    application = make_application()
    type(application).objects.filter(pk=application.pk).update(state=ApplicationState.PLANNED)
    application.refresh_from_db()
    with pytest.raises(Conflict) as caught:
        send(application=application)
    assert caught.value.code == "application-not-open"


@pytest.mark.django_db
def test_a_run_of_a_reference_sample_is_a_reference_run(file_store) -> None:
    sample = make_sample()
    Sample.objects.filter(pk=sample.pk).update(reference=True)
    sample.refresh_from_db()
    assert send(application=make_application(sample=sample)).kind == "reference"


# Zeros


@pytest.mark.django_db
def test_a_zero_belongs_to_its_rig(file_store) -> None:
    rig = make_rig()
    zero = record_zero(actor=somebody(Role.OPERATOR), rig=rig, content=io.BytesIO(TABLE), name="zero.csv")
    assert (zero.kind, zero.rig, zero.application) == ("zero", rig, None)


@pytest.mark.django_db
def test_a_file_that_says_it_is_a_zero_is_one(file_store) -> None:
    rig = make_rig()
    assert send(noted(kind="zero", rig=rig.name)).kind == "zero"


@pytest.mark.django_db
def test_a_zero_of_no_rig_is_asked_about(file_store) -> None:
    with pytest.raises(Invalid) as caught:
        send(noted(kind="zero"))
    assert caught.value.code == "rig-unknown"


@pytest.mark.django_db
def test_a_chemist_sends_runs_but_no_zeros(file_store) -> None:
    rig = make_rig()
    with pytest.raises(NotAllowed):
        send(kind="zero", rig=rig, actor=person(Role.CHEMIST))


@pytest.mark.django_db
def test_a_zero_of_another_rig_cannot_be_chosen(file_store) -> None:
    application = make_application()
    zero = record_zero(
        actor=somebody(Role.OPERATOR), rig=make_rig("south"), content=io.BytesIO(TABLE + b"7,1\n"), name="z.csv"
    )
    with pytest.raises(Invalid) as caught:
        send(application=application, zero=zero)
    assert caught.value.code == "not-a-zero"


# Who


@pytest.mark.django_db
def test_just_those_with_the_right_may_send_runs(file_store) -> None:
    application = make_application()
    allowed = set()
    for number, (role, user) in enumerate(everybody_now().items()):
        try:
            send(TABLE + f"{number},1\n".encode(), application=application, actor=user)
            allowed.add(role)
        except NotAllowed:
            pass
    assert allowed == {"CHEMIST", "OPERATOR", "RIG_KEEPER", "SERVICE"}


def everybody_now() -> dict:
    """Everybody, where some people are there already."""
    from lims.accounts.models import Grant, User

    found = {role.name: User.objects.filter(grants__role=role).first() for role in Role}
    missing = {name: person(Role[name]) for name, user in found.items() if user is None}
    assert Grant.objects.exists()
    return found | missing | {"OUTSIDER": person(None)}


def test_two_parallel_uploads_of_the_same_bytes_give_one_run(committed_db, file_store) -> None:
    application, actor = make_application(), somebody(Role.OPERATOR)
    start, outcomes = threading.Barrier(2), []

    def work() -> None:
        start.wait()
        try:
            outcomes.append(send(application=application, actor=actor).code)
        except Conflict as refusal:
            outcomes.append(refusal.code)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes)[1] == "run-exists"
    assert Run.objects.count() == 1
    assert Reduction.objects.count() == 1
