"""The pages of reports: issue one from its comparison, read it frozen, take its files, check it by its code."""

from __future__ import annotations

import hashlib
import io
import re
import zipfile

import pytest

from lims.accounts.roles import Role
from lims.comparisons.models import Report
from lims.comparisons.services import pose_comparison
from tests.comparisons.results import measure, put_on
from tests.factories import PASSWORD, make_application, make_method_version, make_rig, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


def test_a_report_goes_from_its_comparison_to_its_files_and_is_withdrawn(client) -> None:
    place = {"rig": make_rig(), "version": make_method_version()}
    a, b = (put_on(rises, name=name, **place) for name, rises in (("a", [9.0, 9.1, 8.9]), ("b", [9.6, 9.7, 9.5])))
    posed = pose_comparison(
        actor=somebody(Role.CHEMIST), title="which", method_version=place["version"], samples=[a, b]
    )
    page = f"/comparisons/{posed.code}/"
    client.force_login(somebody(Role.QUALITY))
    shown = client.get(page).content.decode()
    assert f"{a.code} a ran 0.60 K cooler than {b.code} b (95 %: 0.37 to 0.83)." in shown
    assert "May not be claimed" in shown
    draft = client.get(f"{page}draft/html").content.decode()
    assert "DRAFT" in draft
    wrong = client.post(f"{page}issue/", {"password": "wrong"})
    assert wrong.status_code == 403
    assert "is not right; nothing was signed" in wrong.content.decode()
    answer = client.post(f"{page}issue/", {"password": PASSWORD})
    report = Report.objects.get()
    assert answer.url == f"/reports/{report.code}/"
    shown = client.get(answer.url).content.decode()
    for words in ("6 of 6 runs used", report.digest, "UTC", "+01:00", "as signed", f"/check/{report.code}/"):
        assert words in shown, words
    assert client.get(f"{answer.url}ranking.svg").content.startswith(b"<?xml")
    pdf = client.get(f"{answer.url}file/pdf")
    assert hashlib.sha256(pdf.content).hexdigest() == report.paper.sha256
    package = zipfile.ZipFile(io.BytesIO(client.get(f"{answer.url}file/package").content))
    assert hashlib.sha256(package.read("content.json")).hexdigest() == report.digest
    measure(make_application(sample=a, **place), 9.3)
    later = client.get(answer.url).content.decode()
    assert "Later data would change this report" in later
    assert "1 newer result" in later
    assert "1 newer result" in client.get("/").content.decode()
    gone = client.post(f"{answer.url}withdraw/", {"reason": "wrong syringe", "password": PASSWORD})
    assert gone.status_code == 302
    for address in ("/reports/", answer.url, page):
        assert "withdrawn" in client.get(address).content.decode(), address
    marked = client.get(f"{answer.url}file/pdf").content
    assert hashlib.sha256(marked).hexdigest() != report.paper.sha256
    client.logout()
    check = client.get(f"/check/{report.code}/").content.decode()
    assert report.digest in check
    assert report.paper.sha256 in check
    assert "withdrawn" in check
    assert not re.search(r"which|wrong syringe|9\.00|S-\d{4}", check)
    assert client.get("/check/CR-9999/1/").status_code == 404
