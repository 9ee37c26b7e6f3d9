"""The pages of runs: drop files, watch, read the figures, decide."""

from __future__ import annotations

import hashlib
import json

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from lims.accounts.roles import Role
from lims.runs.models import Override, Reduction, Run
from lims.runs.reducing import perform_reduction
from tests.factories import make_application, person, somebody
from tests.runs.recordings import make_files
from tests.runs.test_perform_reduction import reduce_all, sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture
def operator(client):
    user = somebody(Role.OPERATOR)
    client.force_login(user)
    return user


def drop(client, content: bytes, name: str = "run.csv", *, key: str = "k", **about):
    file = SimpleUploadedFile(name, content)
    return client.post(
        "/runs/upload/",
        {"files": file, **about},
        headers={"Accept": "application/json", "Idempotency-Key": key},
    )


def test_a_dropped_file_is_received_and_its_row_follows_it_to_its_figures(client, operator) -> None:
    application, files = make_application(), make_files()
    zero = drop(client, files.zero, "zero.csv", key="z", kind="zero", rig=application.rig.code)
    assert zero.status_code == 201, zero.content
    answer = drop(client, files.run, application=application.code)
    assert answer.status_code == 201, answer.content
    row = client.get(answer.json()["follow"]).content.decode()
    assert "waiting for a worker" in row
    assert "hx-get" in row
    reduce_all()
    row = client.get(answer.json()["follow"]).content.decode()
    assert "accepted" in row.lower()
    assert "temperature rise" in row
    assert "hx-get" not in row


def test_the_same_file_again_is_told_with_a_link(client, operator) -> None:
    application, files = make_application(), make_files()
    first = drop(client, files.run, application=application.code).json()
    again = drop(client, files.run, "other name.csv", key="k2", application=application.code)
    assert again.status_code == 409
    assert again.headers["Content-Type"] == "application/problem+json"
    assert again.json()["code"] == "run-exists"
    assert again.json()["url"] == first["url"]


def test_a_double_click_gives_one_run(client, operator) -> None:
    application, files = make_application(), make_files()
    answers = [drop(client, files.run, application=application.code) for _ in range(2)]
    assert answers[0].json()["code"] == answers[1].json()["code"]
    assert Run.objects.count() == 1


def test_without_javascript_the_form_comes_back_filled_with_the_refusal(client, operator) -> None:
    application = make_application()
    content = b"# rig: somewhere else\ntime [s],hot [degC]\n0,1\n"
    answer = client.post(
        "/runs/upload/", {"files": SimpleUploadedFile("run.csv", content), "application": application.code}
    )
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "somewhere else" in page
    assert f'value="{application.code}" selected' in page


def test_the_page_shows_figures_flags_file_and_reductions(client, operator) -> None:
    run, zero = sent_with_zero()
    page = client.get(f"/runs/{run.code}/").content.decode()
    for words in ("Temperature rise", "Thermal impedance", "Budget of the", run.file.sha256, zero.code):
        assert words in page
    assert run.current.code in page
    assert "±" in page


def test_a_page_watching_a_reduction_asks_again_until_the_figures_come(client, operator) -> None:
    run, _ = sent_with_zero()
    client.post(f"/runs/{run.code}/reduce/", {"reason": "try"})
    page = client.get(f"/runs/{run.code}/").content.decode()
    assert f'hx-get="/runs/{run.code}/_part/"' in page
    waiting = client.get(f"/runs/{run.code}/_part/", headers={"HX-Request": "true"})
    assert "Waiting for a worker" in waiting.content.decode()
    assert "HX-Retarget" not in waiting.headers
    reduce_all()
    done = client.get(f"/runs/{run.code}/_part/", headers={"HX-Request": "true"})
    assert done.headers["HX-Retarget"] == "#run"
    assert "Temperature rise" in done.content.decode()


def test_the_curves_come_thinned_with_the_settled_window_and_in_more_detail_for_a_part(client, operator) -> None:
    run, _ = sent_with_zero()
    address = f"/reductions/{run.current.code}/traces.json"
    whole = client.get(address, {"px": 100}).json()
    assert {line["name"] for line in whole["data"]} == {"hot", "cold", "power", "force", "gap", "coolant"}
    assert all(len(line["x"]) <= 210 for line in whole["data"])
    steady = run.current.result["steady"]
    assert (whole["layout"]["shapes"][0]["x0"], whole["layout"]["shapes"][0]["x1"]) == (
        steady["start_s"],
        steady["end_s"],
    )
    part = client.get(address, {"from": 1000, "to": 1100, "px": 100}).json()["data"][0]
    assert part["x"][0] >= 990
    assert part["x"][-1] <= 1110
    assert len(part["x"]) >= 50


def test_the_layer_is_drawn_to_scale(client, operator) -> None:
    run, _ = sent_with_zero()
    drawing = client.get(f"/reductions/{run.current.code}/layer.json").json()
    gap = 1e6 * run.current.figures["gap"]["value"]
    assert drawing["data"][0]["x"] == pytest.approx([-gap, 0.0, gap, 2 * gap])


def test_a_nonsense_part_is_refused(client, operator) -> None:
    run, _ = sent_with_zero()
    assert client.get(f"/reductions/{run.current.code}/traces.json", {"from": "x"}).status_code == 422


def test_the_file_comes_back_unchanged_and_harmless(client, operator) -> None:
    application = make_application()
    content = b"\xef\xbb\xbf<html><script>alert(1)</script>\r\n"
    drop(client, content, 'x".html\r\nSet-Cookie: a=b', application=application.code)
    run = Run.objects.get()
    answer = client.get(f"/runs/{run.code}/file/")
    assert hashlib.sha256(b"".join(answer.streaming_content)).hexdigest() == run.file.sha256
    assert answer.headers["Content-Type"] == "application/octet-stream"
    assert answer.headers["Content-Disposition"].startswith("attachment")
    assert "Set-Cookie" not in answer.headers
    assert "sandbox" in answer.headers["Content-Security-Policy"]
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    answer.close()


def test_the_result_is_given_as_it_is_stored(client, operator) -> None:
    run, _ = sent_with_zero()
    answer = client.get(f"/reductions/{run.current.code}/result.json")
    assert json.loads(answer.content) == Reduction.objects.get(pk=run.current_id).result


def test_an_unreadable_file_is_refused_and_kept_with_the_place_of_the_fault(client, operator) -> None:
    application = make_application()
    content = make_files().run.decode().splitlines()
    content[7] = content[7].replace(content[7].split(",")[2], "warm")
    drop(client, "\n".join(content).encode(), application=application.code)
    reduce_all()
    run = Run.objects.get()
    assert run.state == "refused"
    page = client.get(f"/runs/{run.code}/").content.decode()
    assert "line 8" in page
    assert "cold" in page
    kept = client.get(f"/runs/{run.code}/file/")
    assert b"".join(kept.streaming_content) == "\n".join(content).encode()
    kept.close()


def test_another_window_needs_a_reason_and_the_form_comes_back_filled(client, operator) -> None:
    run, _ = sent_with_zero()
    answer = client.post(f"/runs/{run.code}/window/", {"start": "900", "end": "1200", "reason": ""})
    assert answer.status_code == 422
    assert 'value="900"' in answer.content.decode()
    answer = client.post(f"/runs/{run.code}/window/", {"start": "900", "end": "1200", "reason": "tap at 1250 s"})
    assert answer.status_code == 302
    reduce_all()
    run.refresh_from_db()
    assert run.current.result["steady"]["chosen_by_hand"]
    assert "tap at 1250 s" in client.get(f"/runs/{run.code}/").content.decode()


def test_quality_sets_a_flag_aside_on_the_page(client, operator) -> None:
    application, files = make_application(), make_files()
    drop(client, files.run, application=application.code)
    reduce_all()
    run = Run.objects.get()
    assert run.state == "unqualified"
    client.force_login(somebody(Role.QUALITY))
    page = client.get(f"/runs/{run.code}/").content.decode()
    assert "Set a flag aside" in page
    answer = client.post(
        f"/runs/{run.code}/override/", {"flag": "zero_missing", "reason": "blocks measured closed in the evening"}
    )
    assert answer.status_code == 302, answer.content.decode()
    assert Override.objects.get().by == somebody(Role.QUALITY)
    page = client.get(f"/runs/{run.code}/").content.decode()
    assert "Set aside by" in page
    assert "blocks measured closed in the evening" in page


def test_the_list_is_narrowed_by_what_stands_in_the_address(client, operator) -> None:
    run, zero = sent_with_zero()
    assert zero.code in client.get("/runs/", {"kind": "zero"}).content.decode()
    page = client.get("/runs/", {"kind": "sample", "state": "accepted", "rig": run.rig.code}).content.decode()
    assert run.code in page
    assert f">{zero.code}<" not in page
    assert "No row fits" in client.get("/runs/", {"flag": "any"}).content.decode()


def test_the_list_asks_the_database_a_fixed_number_of_times(client, operator, django_assert_max_num_queries) -> None:
    sent_with_zero()
    with django_assert_max_num_queries(12):
        client.get("/runs/")


def test_a_broken_off_run_stays_on_record(client, operator) -> None:
    application = make_application()
    answer = client.post("/runs/aborted/", {"application": application.code, "reason": "leak at the hose"})
    assert answer.status_code == 302, answer.content.decode()
    run = Run.objects.get()
    assert (run.state, run.application) == ("aborted", application)
    assert "leak at the hose" in client.get(f"/runs/{run.code}/").content.decode()


def test_an_outsider_sees_no_run(client, operator) -> None:
    run, _ = sent_with_zero()
    client.force_login(person(None))
    for address in (f"/runs/{run.code}/", f"/runs/{run.code}/file/", f"/reductions/{run.current.code}/traces.json"):
        assert client.get(address).status_code == 403


def test_a_missing_run_is_told(client, operator) -> None:
    assert client.get("/runs/R-9999/").status_code == 404
    assert perform_reduction(987654) == []
