"""Certificates of analysis: every item of the standard on the paper, frozen, signed, refused with its reasons."""

from __future__ import annotations

import io

import pytest
from django.db import ProgrammingError, connection, transaction
from pypdf import PdfReader

from lims.accounts.roles import Role
from lims.cases.services import place_hold
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.core.papers import draw_paper
from lims.files.selectors import open_file
from lims.formulations import services as formulations
from lims.materials import services as materials
from lims.quality import services
from lims.quality.certificates import Asked, blocking, content_of_certificate, get_certificate_for
from lims.quality.models import Certificate
from lims.quality.papers import DRAFT, paper_of_certificate, standing_of_certificate
from lims.signatures.freezing import content_of, verify
from lims.specifications.services import LimitSpec
from tests.comparisons.results import put_on
from tests.factories import (
    PASSWORD,
    add_d50,
    make_lot,
    make_made_batch,
    make_method_version,
    make_rig,
    make_sample,
    make_specification,
    person,
    somebody,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
ASKED = Asked("Aldermoor Pumps", "3 Weir Lane, Aldermoor", "two syringes from the middle of the vessel, plan SP-2")
IMPEDANCE = LimitSpec("thermal_impedance", "mm^2*K/W", upper=70.0)


def released_batch(rises: list[float]):
    """A batch with one sample put on three times, under test by a specification, released."""
    batch = make_made_batch()
    make_specification(batch.recipe.formulation, IMPEDANCE)
    batch = formulations.start_batch_test(batch, actor=somebody(Role.OPERATOR))
    put_on(
        rises,
        name="",
        rig=make_rig(),
        version=make_method_version(),
        sample=make_sample(name="m", source=batch),
        u=0.02,
    )
    return services.release_batch(batch, actor=somebody(Role.QUALITY), password=PASSWORD, reason="secret reason")


def issue(subject, **more) -> Certificate:
    content = {"actor": somebody(Role.QUALITY), "password": PASSWORD, "asked": ASKED} | more
    return services.issue_certificate(subject, address="https://lab.example/check/{code}/", **content)


def stored(paper: Certificate) -> bytes:
    with open_file(paper.paper) as file:
        return file.read()


def text_of(data: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages).split())


def test_every_item_of_the_standard_stands_on_the_paper_and_the_recipe_does_not(settings) -> None:
    """ISO/IEC 17025:2017, 7.8.2.1 a to p and 7.8.6.2; PDF/A-2b by its XMP mark (ISO 19005-2, 6.6.4)."""
    settings.LABORATORY_NAME, settings.LABORATORY_ADDRESS = "Wick Lane Laboratory", "7 Wick Lane, Harrowmere"
    batch = released_batch([9.0, 9.1, 8.9])
    paper = issue(batch)
    data = stored(paper)
    reader, text = PdfReader(io.BytesIO(data)), text_of(data)
    items = {
        "a title": "CERTIFICATE OF ANALYSIS",
        "b laboratory and address": "Wick Lane Laboratory, 7 Wick Lane, Harrowmere",
        "c place of the work": "bench 2",
        "d number, and a clear end": f"End of {paper.code}",
        "e customer and contact": "Aldermoor Pumps Contact 3 Weir Lane, Aldermoor",
        "f method": "steady, 250 N",
        "g item and its condition": "even, no bleed",
        "h receipt": "Made on",
        "i dates of the tests": "Tested 20",
        "j issue": f"issued {paper.at:%Y-%m-%d}",
        "k sampling": "two syringes from the middle of the vessel, plan SP-2",
        "l only the items tested": "relate only to the items tested",
        "m results with units": "mm²·K/W",
        "n departures": "Departures from the method None.",
        "o who authorizes": "Signatures Quality, Approved",
        "7.8.6.2 results, specification, rule": "guard band 1 U",
        "uncertainty": "expanded uncertainty, k = 2",
        "UTC": "UTC",
        "local time": "+01:00",
        "digest": paper.digest,
        "lots": batch.lines.first().weighings.first().lot.code,
    }
    assert {item: words for item, words in items.items() if words not in text} == {}
    assert all(paper.code in page.extract_text() for page in reader.pages)
    assert f"page 1 of {len(reader.pages)}" in text
    metadata = reader.trailer["/Root"]["/Metadata"].get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in metadata
    assert "<pdfaid:conformance>B</pdfaid:conformance>" in metadata
    for secret in ("alumina", "silicone", "90 %", "secret reason"):
        assert secret not in text
        assert secret not in paper.content
    assert content_of(paper)["verdicts"][0]["outcome"] == "pass"
    assert len([one for one in content_of(paper)["results"] if one["quantity"] == "thermal_impedance"]) == 3
    assert verify(paper) == []
    address = f"https://lab.example/check/{paper.code}/"
    assert draw_paper(paper_of_certificate(content_of(paper), standing_of_certificate(paper, address=address))) == data
    with pytest.raises(ProgrammingError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE quality_certificate SET customer = 'x'")


def test_a_lot_s_certificate_is_amended_naming_what_changed_and_withdrawn() -> None:
    lot = make_lot()
    make_specification(lot.material)
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    add_d50(lot, 5.0)
    lot = services.release_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD)
    first = issue(lot)
    other = Asked("Aldermoor Pumps", "4 Weir Lane, Aldermoor", ASKED.sampling)
    with pytest.raises(Invalid) as why:
        services.amend_certificate(first, actor=somebody(Role.QUALITY), password=PASSWORD, asked=other, reason=" ")
    assert why.value.fields["reason"]
    second = services.amend_certificate(
        first, actor=somebody(Role.QUALITY), password=PASSWORD, asked=other, reason="they moved"
    )
    assert (second.code, second.changes) == (f"{first.number}/2", ["the customer's contact changed"])
    assert "The customer's contact changed" in text_of(stored(second))
    first = get_certificate_for(somebody(Role.QUALITY), first.code)
    assert first.state == "superseded"
    assert f"Replaced by issue 2, {second.code}." in standing_of_certificate(first).notices
    with pytest.raises(Conflict):
        services.amend_certificate(first, actor=somebody(Role.QUALITY), password=PASSWORD, asked=other, reason="again")
    services.withdraw_certificate(second, actor=somebody(Role.QUALITY), password=PASSWORD, reason="wrong lot")
    standing = standing_of_certificate(get_certificate_for(somebody(Role.QUALITY), second.code))
    assert (standing.state, standing.mark) == ("withdrawn", "withdrawn")
    assert "wrong lot" in standing.notices[0]
    with pytest.raises(NotAllowed):
        get_certificate_for(somebody(Role.OPERATOR), second.code)


def test_what_is_missing_refuses_it_and_is_listed_and_a_draft_says_so(settings) -> None:
    settings.LABORATORY_ADDRESS = ""
    lot = make_lot()
    place_hold(lot, actor=somebody(Role.QUALITY), reason="label in doubt")
    with pytest.raises(Conflict) as why:
        issue(lot)
    missing = why.value.extra["missing"]
    assert missing == blocking(lot)
    for words in ("is quarantine", "on hold: label in doubt", "address is not set", "no results of our own"):
        assert any(words in one for one in missing), (words, missing)
    text = text_of(draw_paper(paper_of_certificate(content_of_certificate(lot), DRAFT)))
    assert "DRAFT" in text
    assert "CA-" not in text
    batch = make_made_batch()
    type(batch).objects.filter(pk=batch.pk).update(exploratory=True)
    batch.refresh_from_db()
    assert any("exploratory" in one for one in blocking(batch))
    assert not Certificate.objects.exists()


def test_it_is_not_issued_by_who_tested_nor_without_customer() -> None:
    lot = make_lot()
    make_specification(lot.material)
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    quality = person(Role.QUALITY, username="tests-too")
    materials.add_lot_property(lot, actor=quality, quantity="d50", value=5.0, unit="um", u=0.1)
    lot = services.release_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD)
    with pytest.raises(NotAllowed) as why:
        issue(lot, actor=quality)
    assert why.value.code == "own-work"
    with pytest.raises(Invalid) as odd:
        issue(lot, actor=somebody(Role.QUALITY), asked=Asked("", "x", ""))
    assert set(odd.value.fields) == {"customer", "sampling"}
