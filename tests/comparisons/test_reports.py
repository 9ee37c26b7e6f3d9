"""Issued reports: frozen, signed, never changed; later data raise a notice; papers and packages made of them."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from django.db import ProgrammingError, connection, transaction
from pypdf import PdfReader

from lims.accounts.roles import Role
from lims.audit.selectors import history_of
from lims.comparisons import reports, services
from lims.comparisons.exporters import EXPORTERS
from lims.comparisons.models import Comparison, Report
from lims.comparisons.waiting import waiting_for
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.signatures.freezing import verify
from tests.comparisons.results import measure, put_on
from tests.factories import PASSWORD, make_application, make_method_version, make_rig, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
ROOT = Path(__file__).resolve().parents[2]
SHARED = {"temperature_rise": [["bench-2 hot", "hot calibration", 0.02]]}


@pytest.fixture
def place():
    return {"rig": make_rig(), "version": make_method_version()}


@pytest.fixture
def comparison(place) -> Comparison:
    """Two samples with three applications each, and one run at another pressure."""
    a = put_on([9.0, 9.1, 8.9], name="thin paste", shared=SHARED, **place)
    b = put_on([9.6, 9.7, 9.5], name="even paste", shared=SHARED, **place)
    measure(make_application(sample=b, **place), 7.0, pressure=300e3)
    return services.pose_comparison(
        actor=somebody(Role.CHEMIST),
        title="Which paste for the flat cover",
        question="For the launch in spring.",
        method_version=place["version"],
        samples=[a, b],
    )


def issue(comparison: Comparison, **more) -> Report:
    content = {"actor": somebody(Role.QUALITY), "password": PASSWORD, "address": "https://lab.example/c/{code}"} | more
    return services.issue_report(comparison, **content)


def text_of(data: bytes) -> str:
    """The text layer, words apart by one blank."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages).split())


def stored(report: Report) -> bytes:
    from lims.files.selectors import open_file

    with open_file(report.paper) as file:
        return file.read()


def test_an_issued_report_is_frozen_and_later_data_raise_a_notice(comparison, place) -> None:
    """CMP-07: a run after the issue changes neither page nor PDF; the notice says what would change."""
    report = issue(comparison)
    assert (report.code, report.issue) == (f"{report.number}/1", 1)
    assert verify(report) == []
    assert reports.notice_of(report) == []
    shown, paper = reports.content_of_report(report), stored(report)
    a, b = comparison.samples.order_by("code")
    measure(make_application(sample=a, **place), 11.4, shared=SHARED)
    measure(make_application(sample=a, **place), 11.0, shared=SHARED)
    report = reports.get_report_for(somebody(Role.MANAGER), report.code)
    assert (reports.content_of_report(report), stored(report)) == (shown, paper)
    notice = "; ".join(reports.notice_of(report))
    assert notice.startswith("2 newer results; ")
    assert f"rank 1 and 2 would tie: {a.code} and {b.code} would no longer be told apart" in notice
    for reader in (comparison.posed_by, somebody(Role.QUALITY)):
        pile = next(pile for pile in waiting_for(reader) if pile.title == "Reports that later data would change")
        assert [(item.code, item.note) for item in pile.items] == [(report.code, notice)]
    assert not any("later data" in pile.title for pile in waiting_for(somebody(Role.MANAGER)))


def test_a_row_never_changes_and_a_digit_altered_past_the_triggers_is_told_everywhere(comparison) -> None:
    """SIG-03: content that differs from what was signed is shown as broken, on the record and on every paper."""
    report = issue(comparison)
    for statement in (
        "UPDATE comparisons_report SET title = 'x' WHERE id = %s",
        "DELETE FROM comparisons_report WHERE id = %s",
    ):
        with pytest.raises(ProgrammingError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement, [report.pk])
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("ALTER TABLE comparisons_report DISABLE TRIGGER USER")
        cursor.execute(
            "UPDATE comparisons_report SET content = replace(content, '9.0', '8.0') WHERE id = %s", [report.pk]
        )
        cursor.execute("ALTER TABLE comparisons_report ENABLE TRIGGER USER")
    report = reports.get_report_for(somebody(Role.QUALITY), report.code)
    assert verify(report) == ["Content differs from what was signed: the digest of the content is another one."]
    standing = reports.standing_of(report)
    page = EXPORTERS["html"].write(reports.content_of_report(report), standing).decode()
    assert "Content differs from what was signed" in page


def test_a_new_issue_names_what_changed_and_a_withdrawal_is_a_further_signature(comparison, place) -> None:
    """REP-04: issue 2 lists the change; issue 1 says what replaced it."""
    first = issue(comparison)
    sample = comparison.samples.order_by("code").first()
    measure(make_application(sample=sample, **place), 9.05, shared=SHARED)
    with pytest.raises(Invalid) as refused:
        issue(comparison)
    assert refused.value.fields["reason"]
    second = issue(comparison, reason="one more application")
    assert second.code == f"{first.number}/2"
    assert second.changes == ["1 newer result"]
    old, new = (
        reports.standing_of(reports.get_report_for(somebody(Role.QUALITY), one.code)) for one in (first, second)
    )
    assert (old.state, new.state) == ("superseded", "issued")
    assert f"Replaced by issue 2, {second.code}." in old.notices
    assert "1 newer result" in text_of(stored(second))
    withdrawn = services.withdraw_report(
        second, actor=somebody(Role.QUALITY), password=PASSWORD, reason="wrong syringe"
    )
    standing = reports.standing_of(withdrawn)
    assert standing.state == standing.mark == "withdrawn"
    assert [one.meaning for one in standing.signatures] == ["Approved", "Withdrawn"]
    assert "wrong syringe" in standing.notices[0]
    page = EXPORTERS["html"].write(reports.content_of_report(second), standing).decode()
    assert "WITHDRAWN" in page
    with pytest.raises(Conflict):
        services.withdraw_report(second, actor=somebody(Role.QUALITY), password=PASSWORD, reason="again")
    with pytest.raises(Conflict):
        issue(comparison, reason="anew")
    acts = [entry.act for entry in history_of("report", second.code)]
    assert sorted(acts) == ["comparison.issue", "report.withdraw"]


def test_the_pdf_says_all_that_defends_it_and_is_for_the_archive(comparison) -> None:
    """The paper's text, its digest, and the mark of level B in its metadata (XMP pdfaid, ISO 19005-2, 6.6.4)."""
    report = issue(comparison)
    data = stored(report)
    reader = PdfReader(io.BytesIO(data))
    metadata = reader.trailer["/Root"]["/Metadata"].get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in metadata
    assert "<pdfaid:conformance>B</pdfaid:conformance>" in metadata
    text = text_of(data)
    content = reports.content_of_report(report)
    told = content["summary"]["told"]
    assert content["ranking"]["title"] == "6 of 7 runs used; 1 left out"
    for words in (
        report.code, "Which paste for the flat cover", "6 of 7 runs used; 1 left out", told[0], "May be claimed",
        "May not be claimed", "Matched conditions", "Uncertainty budget", "Left out: 1", "Pressure 300",
        "Calibrations", "reference of the calibration laboratory", "Signatures", "Approved", "UTC", "+01:00",
        report.digest, f"page 1 of {len(reader.pages)}", f"End of {report.code}",
    ):  # fmt: skip
        assert words in text, words
    assert all(report.code in page.extract_text() for page in reader.pages)
    assert "draft" not in text.lower()
    standing = reports.standing_of(report, address=f"https://lab.example/c/{report.code}")
    again = [EXPORTERS[key].write(content, standing) for key in ("pdf", "xlsx", "html", "package")]
    assert again == [EXPORTERS[key].write(content, standing) for key in ("pdf", "xlsx", "html", "package")]
    assert again[0] == data


def test_the_data_package_gives_the_same_ranking_on_another_machine(comparison, tmp_path) -> None:
    report = issue(comparison)
    content = reports.content_of_report(report)
    package = EXPORTERS["package"].write(content, reports.standing_of(report))
    zipfile.ZipFile(io.BytesIO(package)).extractall(tmp_path)
    results = sorted(str(path) for path in (tmp_path / "results").glob("*.json"))
    command = [sys.executable, "-m", "analysis", "compare", *results, "--question", "question.json", "--json"]
    done = subprocess.run(
        command, cwd=tmp_path, env={"PYTHONPATH": str(ROOT), "PATH": ""}, capture_output=True, check=True
    )
    assert_alike(json.loads(done.stdout), content["ranking"])
    crate = json.loads((tmp_path / "ro-crate-metadata.json").read_text())
    root = next(one for one in crate["@graph"] if one["@id"] == "./")
    listed = {one["@id"] for one in root["hasPart"]} | {"ro-crate-metadata.json"}
    assert listed == {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()}
    assert len(list((tmp_path / "files").iterdir())) == 7
    assert len(list((tmp_path / "setups").iterdir())) == 7


def assert_alike(found, expected, where: str = "") -> None:
    """The same structure, numbers to 1e-12 relative."""
    assert type(found) is type(expected) or isinstance(found, int | float), where
    if isinstance(expected, dict):
        assert found.keys() == expected.keys(), where
        for key in expected:
            assert_alike(found[key], expected[key], f"{where}.{key}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for place, (one, other) in enumerate(zip(found, expected, strict=True)):
            assert_alike(one, other, f"{where}[{place}]")
    elif isinstance(expected, float):
        assert found == pytest.approx(expected, rel=1e-12, abs=1e-12), where
    else:
        assert found == expected, where


def test_a_refused_ranking_is_issued_as_such_and_its_draft_carries_no_number(place) -> None:
    """REP-03: a draft says so in its text layer."""
    a = put_on([9.0], name="a", **place)
    b = put_on([7.0], name="b", pressure=300e3, **place)
    refused = services.pose_comparison(
        actor=somebody(Role.CHEMIST), title="unlike", method_version=place["version"], samples=[a, b]
    )
    draft = text_of(EXPORTERS["pdf"].write(reports.draft_of(refused), reports.DRAFT))
    assert "DRAFT" in draft
    assert "CR-" not in draft
    text = text_of(stored(issue(refused)))
    assert "These cannot be ranked: pressure 250 vs 300 kPa, tolerance 2 %." in text
    for actor, password, code in (
        (somebody(Role.QUALITY), "wrong", "wrong-secret"),
        (somebody(Role.CHEMIST), PASSWORD, "not-allowed"),
    ):
        with pytest.raises(NotAllowed) as why:
            issue(refused, actor=actor, password=password, reason="again")
        assert why.value.code == code
    author = somebody(Role.MANAGER)
    own = services.pose_comparison(actor=author, title="own", method_version=place["version"], samples=[a, b])
    with pytest.raises(NotAllowed) as why:
        issue(own, actor=author)
    assert why.value.code == "own-work"
