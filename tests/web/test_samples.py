"""Samples by page: register, hand over, split, label; every refusal in its place."""

from __future__ import annotations

from typing import Any

import pytest
import zxingcpp
from django.utils import timezone
from PIL import Image

from lims.accounts.roles import RIGHTS, Role, Rule
from lims.core.codes import printed
from lims.samples.models import Sample
from lims.samples.selectors import left
from tests.factories import make_application, make_sample, person, somebody

pytestmark = pytest.mark.django_db


def sent(**changes: Any) -> dict[str, Any]:
    content = {
        "name": "outside paste",
        "taken_at": timezone.localtime().strftime("%Y-%m-%dT%H:%M"),
        "amount": "20,5",
        "unit": "g",
        "container": "syringe",
        "condition": "even",
        "location": "cabinet 1",
    }
    return content | changes


@pytest.fixture
def operator(client) -> Any:
    user = somebody(Role.OPERATOR)
    client.force_login(user)
    return user


def test_a_sample_is_registered_moved_split_and_found(client, operator) -> None:
    chemist = somebody(Role.CHEMIST)
    made = client.post("/samples/new/", sent())
    sample = Sample.objects.get()
    assert (made.status_code, made.url) == (302, f"/samples/{sample.code}/")
    assert (sample.state, f"{sample.amount:f}") == ("held", "0.020500000")
    moved = {"location": "bench 2", "holder": chemist.pk, "condition": "closed"}
    assert client.post(f"/samples/{sample.code}/move/", moved).status_code == 302
    assert client.post(f"/samples/{sample.code}/split/", {"amount": "5", "container": "jar"}).status_code == 302
    portion = Sample.objects.get(parent=sample)
    page = client.get(f"/samples/{sample.code}/").content.decode()
    for words in ("15.5", "hand over", "bench 2", chemist.printed_name, portion.code, "outside paste"):
        assert words in page
    assert sample.code in client.get(f"/samples/{portion.code}/").content.decode()
    assert sample.code in client.get(f"/samples/?text={printed(sample.code)}").content.decode()


@pytest.mark.parametrize(
    ("change", "field"),
    [({"taken_at": ""}, "taken_at"), ({"amount": "1,234"}, "amount"), ({"container": ""}, "container")],
)
def test_a_wrong_form_comes_back_filled(client, operator, change: dict[str, Any], field: str) -> None:
    answer = client.post("/samples/new/", sent(**change))
    assert answer.status_code == 422
    assert field in answer.context["form"].errors
    assert "cabinet 1" in answer.content.decode()
    assert not Sample.objects.exists()


def test_a_rig_in_the_box_for_a_source_is_refused_by_naming_the_kinds(client, operator) -> None:
    answer = client.post("/samples/new/", sent(source="RIG-03"))
    assert answer.status_code == 422
    assert "RIG-03 is a rig; a batch or a lot is expected here." in answer.content.decode()


def test_the_label_reads_back_as_the_record_and_never_says_its_state(client, operator, tmp_path) -> None:
    """The symbol is decoded by an independent reader (zxing-cpp)."""
    sample = make_sample()
    drawn = client.get(f"/samples/{sample.code}/label.png")
    assert drawn["Content-Type"] == "image/png"
    file = tmp_path / "label.png"
    file.write_bytes(drawn.content)
    with Image.open(file) as image:
        found = zxingcpp.read_barcodes(image)
    assert [code.text for code in found] == [f"http://testserver/c/{sample.code}"]
    assert client.get(f"/c/{sample.code}").url == f"/samples/{sample.code}/"
    page = client.get(f"/samples/{sample.code}/label/").content.decode()
    assert printed(sample.code) in page


def test_a_refused_act_comes_back_open_with_its_reason(client, operator) -> None:
    sample = make_sample()
    answer = client.post(f"/samples/{sample.code}/split/", {"amount": "21", "container": "jar"})
    assert answer.status_code == 409
    assert "20 g" in answer.content.decode()
    assert 'value="21"' in answer.content.decode()
    assert left(sample) == sample.amount


def test_a_wrong_state_says_what_is_possible(client, operator) -> None:
    sample = make_sample()
    answer = client.post(f"/samples/{sample.code}/take/", {})
    assert answer.status_code == 409
    assert "Possible now" in answer.content.decode()


def test_the_page_shows_parents_children_and_counts(client, operator) -> None:
    application = make_application()
    page = client.get(f"/samples/{application.sample.code}/").content.decode()
    assert application.code in page
    assert "19.5" in page


ACTS = {
    "take": "sample.register",
    "refuse": "sample.refuse",
    "move": "sample.move",
    "note": "sample.move",
    "split": "sample.split",
    "return": "sample.use",
    "use-up": "sample.use",
    "retain": "sample.retain",
    "release-for-retest": "sample.release_for_retest",
    "dispose": "sample.dispose",
    "permit-block": "sample.permit_block",
    "void": "sample.void",
}


@pytest.mark.parametrize("role", [*Role, None])
def test_each_role_reaches_just_the_acts_of_its_rights(client, role) -> None:
    sample = make_sample()
    client.force_login(person(role, username="other"))
    for act, right in ACTS.items():
        allowed = role is not None and RIGHTS[right][role] is not Rule.NO
        status = client.post(f"/samples/{sample.code}/{act}/", {}).status_code
        assert (status != 403) is allowed, act


@pytest.mark.parametrize("role", [None, Role.ADMINISTRATOR])
def test_who_may_not_read_the_laboratory_sees_no_sample(client, role) -> None:
    sample = make_sample()
    client.force_login(person(role, username="other"))
    for address in ("/samples/", f"/samples/{sample.code}/", f"/samples/{sample.code}/label/"):
        assert client.get(address).status_code == 403


def test_the_list_asks_the_database_no_more_often_when_it_grows(
    client, operator, django_assert_max_num_queries
) -> None:
    for _ in range(12):
        make_sample()
    with django_assert_max_num_queries(12):
        assert client.get("/samples/").status_code == 200


def test_a_hold_is_placed_shown_and_lifted_by_another(client, operator) -> None:
    sample = make_sample()
    assert client.post(f"/samples/{sample.code}/hold/", {"reason": "mixed up?"}).status_code == 302
    page = client.get(f"/samples/{sample.code}/").content.decode()
    assert "on hold" in page
    assert "mixed up?" in page
    held = client.post(f"/samples/{sample.code}/split/", {"amount": "1", "container": "jar"})
    assert held.status_code == 409
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/samples/{sample.code}/lift-hold/", {"reason": "looked at the label"}).status_code == 302
    page = client.get(f"/samples/{sample.code}/").content.decode()
    assert "lift" in page
    assert "looked at the label" in page
    assert client.post(f"/samples/{sample.code}/lift-hold/", {"reason": "again"}).status_code == 409
