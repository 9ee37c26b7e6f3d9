"""Every record's page, in every state a laboratory knows it in: breaks no rule of accessibility, fits a tablet.

Rules: axe-core, an independent implementation of WCAG 2.2 checks. The records are made by the services; the runs are
files of the demonstration's simulator, reduced as the worker does it.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone
from playwright.sync_api import Page, expect

from lims.accounts.roles import Role
from lims.cases.services import open_nonconformance, place_hold
from lims.comparisons.services import issue_report, pose_comparison
from lims.formulations import services as formulations
from lims.materials import services as materials
from lims.quality.certificates import Asked
from lims.quality.services import create_chart, extend_lot_life, issue_certificate, release_batch, release_lot
from lims.rigs import services as rigs
from lims.runs.models import Reduction
from lims.runs.reducing import perform_reduction
from lims.runs.services.applications import plan_application, tear_down
from lims.runs.services.plans import draw_plan
from lims.runs.services.runs import record_zero, upload_run
from tests.browser.steps import serious_faults, sign_in
from tests.comparisons.results import put_on
from tests.factories import (
    PASSWORD,
    add_d50,
    faces_of,
    make_application,
    make_batch,
    make_lot,
    make_made_batch,
    make_material,
    make_method_version,
    make_released_lot,
    make_rig,
    make_sample,
    make_specification,
    make_version,
    person,
    somebody,
    weigh_all,
)
from tests.runs.recordings import make_files

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("file_store")]
SHOTS = os.environ.get("LIMS_SHOTS")  # a folder to keep pictures of the pages in
DESK, TABLET = 1280, 820


def lots() -> Iterator[Any]:
    """Lots in quarantine, under test, released, on hold, rejected, expired."""
    material = make_material(hazards=[{"code": "H335", "text": "May irritate the airways"}], hazards_source="test")
    make_specification(material)
    yield material
    yield make_lot(material)
    tested = materials.start_lot_test(make_lot(material), actor=somebody(Role.QUALITY))
    add_d50(tested)
    yield tested
    released = materials.start_lot_test(make_lot(material), actor=somebody(Role.QUALITY))
    add_d50(released)
    yield release_lot(released, actor=somebody(Role.QUALITY), password=PASSWORD, reason="fits")
    held = make_released_lot(material)
    place_hold(held, actor=somebody(Role.QUALITY), reason="label in doubt")
    add_d50(held, 9.0)
    yield held
    yield make_released_lot(material, expires_on=timezone.localdate() - timedelta(days=1))
    yield from desk(released)


def desk(lot: Any) -> Iterator[Any]:
    """A lot that was treated here, with its sizes, its sheet and a longer life; its place; its supplier."""
    chemist, quality, again = somebody(Role.CHEMIST), somebody(Role.QUALITY), timezone.localdate() + timedelta(days=400)
    place = materials.create_place(actor=chemist, name="Cold store", condition="2 to 8 °C")
    parts = [materials.Part(lot, Decimal(2)), materials.Part(make_lot(), Decimal("0.5"))]
    made = materials.treat_lot(parts, actor=chemist, how="dried at 120 °C", yielded=Decimal("2.4"), location=place.code)
    statements = [{"code": "H335", "text": "May irritate the airways"}, {"code": "P261", "text": "Avoid dust"}]
    sheet = {"source": "sheet 12", "statements": statements, "pictograms": ["GHS07"], "lot": made}
    materials.add_safety_sheet(made.material, actor=chemist, signal="warning", **sheet)
    table = "size [um];below\n1;0\n2;10\n5;52\n10;93\n20;100"
    add_d50(made, 4.5)
    materials.add_size_distribution(made, actor=chemist, table=table, method="laser, wet")
    materials.set_incompatible(made.material, actor=chemist, surface="aluminium", effect="stains", source="test")
    made = materials.start_lot_test(made, actor=quality)
    life = materials.NewLife(again, None, tuple(made.properties.all()))
    extend_lot_life(made, actor=quality, password=PASSWORD, life=life, reason="size as before")
    with transaction.atomic():  # a part of planning a batch
        materials.reserve_stock(made, mass=Decimal("0.4"), cause="B-0001", by=chemist)
    materials.approve_supplier(lot.supplier, actor=quality, material=lot.material, criteria="samples", reason="all fit")
    yield from (made, lot.material, place, lot.supplier)


def batches() -> Iterator[Any]:
    """Batches planned, half weighed, weighed, in process, made, under test, released, given up."""
    chemist = somebody(Role.CHEMIST)
    version = make_version()
    yield version
    yield make_batch(version)
    begun = make_batch(version)
    line = begun.lines.order_by("position").first()
    lot = make_released_lot(line.material)
    formulations.weigh(line, actor=chemist, lot=lot, net=line.target, balance="BAL-01", captured=False)
    yield begun
    yield weigh_all(make_batch(version))
    yield formulations.close_weighing(weigh_all(make_batch(version)), actor=chemist)
    yield make_made_batch(version)
    tested = formulations.start_batch_test(make_made_batch(version), actor=somebody(Role.QUALITY))
    yield tested
    second = formulations.start_batch_test(make_made_batch(version), actor=somebody(Role.QUALITY))
    yield release_batch(second, actor=somebody(Role.QUALITY), password=PASSWORD, reason="fits")
    yield formulations.abort_batch(make_batch(version), actor=chemist, reason="the mixer failed")


def formulation_versions() -> Iterator[Any]:
    """Versions in draft, in review, approved and superseded."""
    chemist, quality = somebody(Role.CHEMIST), somebody(Role.QUALITY)
    first = make_version("paste B")
    second = formulations.submit_version(formulations.new_version(first, actor=chemist, reason="less"), actor=chemist)
    yield second
    formulations.approve_version(second, actor=quality, password=PASSWORD)
    yield first
    yield formulations.new_version(second, actor=chemist, reason="more filler")


def room() -> Iterator[Any]:
    """Rigs, methods, blocks, samples, applications, runs of every kind, a comparison."""
    rig, version, operator = make_rig(), make_method_version(repeats=1), somebody(Role.OPERATOR)
    keeper = somebody(Role.RIG_KEEPER)
    yield from (rig, version, faces_of(rig).hot)
    yield rigs.create_method(
        actor=keeper, name="pads", area=1e-3, surface="lapped", heater_power=150.0, force=250.0,
        coolant_temperature=298.15,
    ).versions.get()  # fmt: skip
    yield rigs.take_rig_out(make_rig("bench-9"), actor=keeper, reason="sensor loose")
    sample, other = make_sample(), make_sample(name="second paste")
    yield plan_application(actor=operator, sample=sample, rig=rig, method_version=version, faces=faces_of(rig))
    runs = []
    for nth, one in enumerate((sample, other, sample, other)):
        application = make_application(sample=one, rig=rig, version=version)
        files = make_files(seed=nth + 1, begin=(timezone.now() - timedelta(hours=30 - 4 * nth)).replace(microsecond=0))
        zero = record_zero(actor=operator, rig=rig, content=io.BytesIO(files.zero), name="zero.csv")
        runs.append(upload_run(actor=operator, application=application, content=io.BytesIO(files.run), name="run.csv"))
        if nth == 0:
            yield from (zero, application)
    without_zero = make_application(sample=sample, rig=rig, version=version)
    unqualified = make_files(seed=9)
    runs.append(
        upload_run(actor=operator, application=without_zero, content=io.BytesIO(unqualified.run), name="late.csv")
    )
    broken = make_application(sample=sample, rig=rig, version=version)
    runs.append(
        upload_run(actor=operator, application=broken, content=io.BytesIO(b"time [s],hot [degC]\n0,x\n"), name="x.csv")
    )
    for pk in Reduction.objects.filter(state="queued").order_by("id").values_list("pk", flat=True):
        perform_reduction(pk)
    waiting = make_application(sample=other, rig=rig, version=version)
    later = make_files(seed=11)
    runs.append(upload_run(actor=operator, application=waiting, content=io.BytesIO(later.run), name="waiting.csv"))
    yield from (runs[0], *runs[-3:], tear_down(without_zero, actor=operator, coverage=0.8), sample)
    yield pose_comparison(
        actor=somebody(Role.CHEMIST), title="which paste", method_version=version, samples=[sample, other],
        reference=sample,
    )  # fmt: skip
    yield open_nonconformance(
        sample, actor=somebody(Role.QUALITY), title="odd colour", description="Greyer than before."
    )


def specifications() -> Iterator[Any]:
    """A specification in force."""
    yield make_specification(make_material("zinc oxide, fine"))


def papers() -> Iterator[Any]:
    """A comparison with its report, a certificate, a chart, a plan; where a lot went, and telling those who have it."""
    chemist, quality, place = somebody(Role.CHEMIST), somebody(Role.QUALITY), {"rig": make_rig()}
    place["version"] = make_method_version()
    samples = [put_on(rises, name=f"paste {rises[0]}", **place) for rises in ([9.0, 9.1, 8.9], [14.0, 14.1, 13.9])]
    version = place["version"]
    posed = pose_comparison(actor=chemist, title="which paste", method_version=version, samples=samples)
    yield issue_report(posed, actor=quality, password=PASSWORD, address="https://lab.example/check/{code}/")
    yield from (posed, f"/trace/sample/{samples[0].code}/")
    lot = make_lot()
    make_specification(lot.material)
    lot = materials.start_lot_test(lot, actor=quality)
    add_d50(lot)
    lot = release_lot(lot, actor=quality, password=PASSWORD)
    asked = Asked("Aldermoor Pumps", "3 Weir Lane", "one scoop from each bag")
    yield issue_certificate(
        lot, actor=quality, password=PASSWORD, asked=asked, address="https://lab.example/check/{code}/"
    )
    yield create_chart(actor=quality, subject=("material", lot.material.code), quantity="d50")
    yield from (f"/trace/lot/{lot.code}/", f"/trace/lot/{lot.code}/tell/", f"/runs/?sample={samples[0].code}")
    yield draw_plan(
        actor=chemist,
        title="two pastes",
        method_version=version,
        samples=samples,
        rigs=[place["rig"]],
        replicates=2,
        days=2,
        per_block=2,
    )


GROUPS: tuple[Callable[[], Iterator[Any]], ...] = (lots, batches, formulation_versions, room, specifications, papers)


@pytest.mark.parametrize("records", GROUPS, ids=lambda group: group.__name__)
def test_every_record_page_breaks_no_rule_and_fits(records: Any, open_page: Any, complaints: list[str]) -> None:
    codes = [record if isinstance(record, str) else record.code for record in records()]
    page = _of_somebody_who_may_do_everything(open_page)
    faults = {}
    for nth, code in enumerate(codes):
        # records of one kind follow one another: each kind's page is seen in the light and in the dark
        found = _faults(page, code, scheme="dark" if nth % 2 else "light")
        faults |= {code: found} if found else {}
    assert faults == {}
    assert complaints == []


def _of_somebody_who_may_do_everything(open_page: Any) -> Page:
    user = person(None, username="ida")
    for role in (Role.CHEMIST, Role.OPERATOR, Role.RIG_KEEPER, Role.QUALITY, Role.MANAGER):
        user.grants.create(user=user, role=role, reason="test")
    page: Page = open_page("/sign-in/?next=/account/")
    sign_in(page, "ida")
    return page


def _faults(page: Page, code: str, *, scheme: str) -> list[str]:
    """What is wrong with the page of one record: the rules in one theme on a desk, the measures on both widths."""
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    page.set_viewport_size({"width": DESK, "height": 1100})
    answer = page.goto(code if code.startswith("/") else f"/c/{code}")
    if answer is None or not answer.ok:
        return [f"status {answer and answer.status}"]
    if page.locator("[data-plot]").count():
        expect(page.locator(".plot .main-svg").first).to_be_visible(timeout=20_000)
    faults = [f"{scheme}: {fault}" for fault in serious_faults(page)]
    for width in (DESK, TABLET):
        page.set_viewport_size({"width": width, "height": 1100})
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        faults += [f"{wide} px too wide at {width}"] if wide > 0 else []
        if SHOTS:
            page.screenshot(path=f"{SHOTS}/{code.strip('/').replace('/', '-')}-{width}-{scheme}.png", full_page=True)
    return faults
