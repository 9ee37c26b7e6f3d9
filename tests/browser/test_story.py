"""From a delivery to a ranked sample, by the pages alone: what a chemist does in the days before a decision.

Everything is real: database, queue, worker, pages from a server of its own, files that a rig would have written. The
other samples of the ranking were measured the same way before, by the services.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from lims.accounts.models import User
from lims.accounts.roles import Role
from lims.demo.simulator import ICE, Layer, Plan, simulate
from lims.materials.models import Lot
from lims.rigs.models import MethodVersion, Rig
from lims.runs.models import Reduction, Run
from lims.runs.reducing import perform_reduction
from lims.runs.services.applications import tear_down
from lims.runs.services.runs import record_zero, upload_run
from tests.browser.steps import act, serious_faults, sign_in
from tests.factories import (
    PASSWORD,
    faces_of,
    make_application,
    make_material,
    make_method_version,
    make_released_lot,
    make_rig,
    make_sample,
    make_supplier,
    person,
)
from tests.runs.recordings import BENCH, as_csv

pytestmark = [pytest.mark.processes, pytest.mark.usefixtures("committed_db", "file_store")]
FILLER, FLUID = "alumina, round, 5 um", "silicone fluid"
# layers in SI: what the rig will measure, invented
OURS = Layer(conductivity=3.0, contact=3e-6, gap_end=30e-6)
OTHERS = {
    "thin paste": Layer(conductivity=2.0, contact=2.5e-6, gap_end=15e-6),
    "thick paste": Layer(conductivity=4.0, contact=4e-6, gap_end=90e-6),
}
SHORT = {"steps": ((60.0, 150.0), (1000.0, 0.0)), "seconds": 1100.0, "interval": 2.0}
APPLICATIONS = 2


@dataclass
class Laboratory:
    """What stands before the story begins."""

    rig: Rig
    method: MethodVersion
    fluid: Lot
    others: list[str]


@pytest.fixture
def laboratory(settings: Any, committed_db: None, file_store: Any) -> Laboratory:
    """People, a supplier, two materials, a lot of the fluid, a rig, a method, and two samples measured before."""
    # the pages run in a process of their own and check passwords in their own way
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
    ada = person(Role.CHEMIST, username="ada")
    ada.grants.create(user=ada, role=Role.OPERATOR, reason="test")
    person(Role.CHEMIST, username="ben")
    person(Role.QUALITY, username="edda")
    make_supplier()
    make_material(FILLER)
    fluid = make_released_lot(make_material(FLUID, kind="carrier", density=970.0), mass="5")
    rig = make_rig()
    method = make_method_version(name="paste, 150 W, 250 N", repeats=APPLICATIONS)
    others = [_measure_before(name, layer, rig, method) for name, layer in OTHERS.items()]
    return Laboratory(rig, method, fluid, others)


def _measure_before(name: str, layer: Layer, rig: Rig, method: MethodVersion) -> str:
    """One sample with as many applications as the method asks for, each with its zero, reduced here and now."""
    operator = User.objects.get(username="ada")
    sample = make_sample(name=name, taken_at=timezone.now() - timedelta(hours=72))
    for nth in range(APPLICATIONS):
        begin = timezone.now() - timedelta(hours=30 + 3 * nth + 10 * list(OTHERS).index(name))
        zero, run = _files(layer, begin=begin, seed=100 + nth)
        record_zero(actor=operator, rig=rig, content=io.BytesIO(zero), name=f"{name}-zero-{nth}.csv")
        application = make_application(sample=sample, rig=rig, version=method, applied_at=begin)
        upload_run(actor=operator, application=application, content=io.BytesIO(run), name=f"{name}-{nth}.csv")
        tear_down(application, actor=operator, coverage=0.99)
    for pk in Reduction.objects.filter(state="queued").order_by("id").values_list("pk", flat=True):
        perform_reduction(pk)
    return sample.code


def _files(layer: Layer, *, begin: datetime, seed: int, application: str = "") -> tuple[bytes, bytes]:
    """A zero and a run as the rig writes them."""
    layer = replace(layer, gap_end=layer.gap_end * (1 + 0.02 * (seed % 3 - 1)))
    plan = Plan(begin=begin.replace(microsecond=0), coolant=25.0 + ICE, **SHORT)  # type: ignore[arg-type]
    made = simulate(BENCH, layer, plan, seed=seed, rig_seed=7)
    notes = {"application": application} if application else None
    return as_csv(made.zero, notes={"kind": "zero", "rig": BENCH.name}), as_csv(made.run, notes=notes)


def test_from_a_delivery_to_a_ranked_sample(
    laboratory: Laboratory, worker: object, open_served: Any, complaints: list[str]
) -> None:
    chemist: Page = open_served("/sign-in/", width=1280)
    sign_in(chemist, "ada")
    quality: Page = open_served("/sign-in/?next=/lots/", color_scheme="dark")
    sign_in(quality, "edda")

    lot = receive_a_lot(chemist)
    release_it(quality, f"/lots/{lot}/")
    version = write_a_formulation(chemist)
    approve_it(quality, version)
    batch = make_a_batch(chemist, open_served, version=version, lot=lot, wrong_lot=laboratory.fluid.code)
    sample = register_a_sample(chemist, batch)
    applications = [put_it_on(chemist, sample, laboratory) for _ in range(APPLICATIONS)]
    runs = send_the_files(chemist, applications)
    look_at_the_run(chemist, runs[0])
    comparison = compare_with_the_others(chemist, sample, laboratory)
    the_records_break_no_rule(
        quality, [f"/lots/{lot}/", f"/batches/{batch}/", f"/samples/{sample}/", f"/comparisons/{comparison}/"]
    )
    # an answer that refuses is an answer; the browser notes its status all the same
    assert [words for words in complaints if not re.search(r"status of (409|422)", words)] == []


def receive_a_lot(page: Page) -> str:
    page.goto("/lots/new/")
    page.locator("select[name=material]").select_option(label=FILLER)
    page.locator("select[name=supplier]").select_option(label="Harrow Minerals")
    page.locator("input[name=supplier_lot]").fill("AL-7731")
    page.locator("input[name=storage]").fill("dry, 15 to 25 °C")
    page.locator("input[name=location]").fill("cabinet 2, shelf 3")
    page.locator("input[name=expires_on]").fill((timezone.localdate() + timedelta(days=365)).isoformat())
    # a slip: words where a number is expected
    page.locator("input[name=mass]").fill("about twenty")
    page.get_by_role("button", name="Receive").click()
    expect(page.get_by_text("'about twenty' is not a number.").first).to_be_visible()
    assert page.locator("input[name=supplier_lot]").input_value() == "AL-7731"
    page.locator("input[name=mass]").fill("25")
    page.get_by_role("button", name="Receive").click()
    page.wait_for_url(re.compile(r"/lots/LOT-\d+/$"))
    expect(page.locator("h1")).to_contain_text("quarantine")
    assert serious_faults(page) == []
    return _code_of(page)


def release_it(page: Page, address: str) -> None:
    page.goto(address)
    page.get_by_role("button", name="Start the test").click()
    expect(page.locator("h1")).to_contain_text("under test")
    act(page, "Release", reason="certificate looked at", password=PASSWORD)
    expect(page.locator("h1")).to_contain_text("released")


def write_a_formulation(page: Page) -> str:
    page.goto("/formulations/new/")
    page.locator("input[name=name]").fill("story paste")
    for row, (material, percent) in enumerate([(FILLER, "90"), (FLUID, "10")]):
        page.locator(f"[name=lines-{row}-material]").select_option(label=material)
        page.locator(f"[name=lines-{row}-percent]").fill(percent)
    page.locator("[name=steps-0-instruction]").fill("Mix")
    page.locator("[name=steps-0-speed]").fill("1200")
    page.locator("[name=steps-0-duration]").fill("10")
    page.get_by_role("button", name="Save the draft").click()
    page.get_by_role("button", name="Hand in for review").click()
    expect(page.locator("h1")).to_contain_text("in review")
    return _code_of(page)


def approve_it(page: Page, version: str) -> None:
    page.goto(f"/formulations/{version}/")
    act(page, "Approve", reason="as discussed", password=PASSWORD)
    expect(page.locator("h1")).to_contain_text("approved")
    assert serious_faults(page) == []


def make_a_batch(page: Page, open_served: Any, *, version: str, lot: str, wrong_lot: str) -> str:
    page.goto("/batches/new/")
    page.locator("select[name=version]").select_option(label=f"{version} story paste")
    page.locator("input[name=target_mass]").fill("250")
    page.get_by_role("button", name="Plan", exact=True).click()
    page.wait_for_url(re.compile(r"/batches/B-\d+/$"))
    batch = _code_of(page)
    weigh_in(page, batch, lot=lot, fluid=wrong_lot)
    check_as_a_second_person(open_served, batch)
    page.goto(f"/batches/{batch}/bench/")
    page.get_by_role("button", name="Lock the weights").click()
    page.goto(f"/batches/{batch}/bench/")
    page.locator("input[name=speed]").fill("1200")
    page.locator("input[name=duration]").fill("10")
    page.get_by_role("button", name="Done").click()
    page.wait_for_url(re.compile(r"/batches/B-\d+/$"))
    act(page, "Finish", yield_mass="240")
    expect(page.locator("h1")).to_contain_text("made")
    return batch


def weigh_in(page: Page, batch: str, *, lot: str, fluid: str) -> None:
    page.goto(f"/batches/{batch}/bench/")
    expect(page.locator("h1")).to_contain_text(FILLER)
    # a slip: the fluid's container in the hand where the filler is asked for
    page.locator("#id_lot").fill(fluid)
    page.locator("input[name=net]").fill("225")
    page.locator("input[name=balance]").fill("balance 1")
    page.get_by_role("button", name="Take").click()
    expect(page.get_by_text(f"{fluid} is {FLUID}; line 1 asks for {FILLER}.")).to_be_visible()
    expect(page.locator(".field-wrong")).to_contain_text(f"A lot of {FILLER} is expected.")
    assert page.locator("input[name=net]").input_value() == "225"
    assert serious_faults(page) == []
    page.locator("#id_lot").fill(lot)
    page.get_by_role("button", name="Take").click()
    expect(page.locator("h1")).to_contain_text(FLUID)
    page.locator("#id_lot").fill(fluid)
    page.locator("input[name=net]").fill("25")
    page.get_by_role("button", name="Take").click()
    expect(page.locator("h1")).to_contain_text("Every line is weighed")


def check_as_a_second_person(open_served: Any, batch: str) -> None:
    """Weighings that were typed, not captured, are looked at by somebody else."""
    second: Page = open_served(f"/sign-in/?next=/batches/{batch}/", width=820)
    sign_in(second, "ben")
    for left in (1, 0):
        second.get_by_role("button", name="I checked it").first.click()
        expect(second.get_by_role("button", name="I checked it")).to_have_count(left)
    assert serious_faults(second) == []


def register_a_sample(page: Page, batch: str) -> str:
    page.goto(f"/samples/new/?batch={batch}")
    page.locator("input[name=name]").fill("story paste, first batch")
    page.locator("input[name=amount]").fill("20")
    page.locator("input[name=container]").fill("syringe 10 mL")
    page.locator("input[name=condition]").fill("even, no bleed")
    page.locator("input[name=location]").fill("cabinet 1")
    page.get_by_role("button", name="Register").click()
    page.wait_for_url(re.compile(r"/samples/S-\d+/$"))
    expect(page.locator(".lineage")).to_contain_text(batch)
    return _code_of(page)


def put_it_on(page: Page, sample: str, laboratory: Laboratory) -> str:
    faces = faces_of(laboratory.rig)
    assert faces.hot
    assert faces.cold
    page.goto(f"/applications/new/?sample={sample}&rig={laboratory.rig.code}")
    page.locator("input[name=hot_block]").fill(faces.hot.code)
    page.locator("input[name=cold_block]").fill(faces.cold.code)
    page.locator("input[name=cleaning]").fill("isopropanol, twice")
    page.locator("input[name=amount]").fill("0.5")
    page.locator("input[name=pattern]").fill("cross")
    page.get_by_role("button", name="Put on").click()
    page.wait_for_url(re.compile(r"/applications/A-\d+/$"))
    return _code_of(page)


def send_the_files(page: Page, applications: list[str]) -> list[str]:
    """Drop zeros and runs; the figures come while one watches. The same run once more is recognised."""
    files = []
    for nth, application in enumerate(applications):
        begin = timezone.now() - timedelta(hours=6 - 2 * nth)
        zero, run = _files(OURS, begin=begin, seed=200 + nth, application=application)
        files += [_as_file(f"zero-{nth}.csv", zero), _as_file(f"run-{nth}.csv", run)]
    page.goto("/runs/upload/")
    page.evaluate("window.stayed = true")
    page.locator("input[type=file]").set_input_files(files)
    rows = page.locator(".drop-row")
    expect(rows).to_have_count(len(files))
    for nth in range(len(applications)):
        expect(rows.filter(has_text=f"run-{nth}.csv")).to_contain_text("temperature rise", timeout=30_000)
    again = [file for file in files if file["name"] == "run-0.csv"]
    page.locator("input[type=file]").set_input_files([again[0] | {"name": "once-more.csv"}])
    expect(rows.filter(has_text="once-more.csv")).to_contain_text("holds the same bytes as R-")
    assert page.evaluate("window.stayed"), "the page was loaded anew"
    assert serious_faults(page) == []
    made = Run.objects.filter(application__code__in=applications).order_by("application__code")
    assert [run.state for run in made] == ["accepted"] * len(applications)
    return [run.code for run in made]


def look_at_the_run(page: Page, run: str) -> None:
    page.goto(f"/runs/{run}/")
    expect(page.locator(".plot .main-svg").first).to_be_visible(timeout=20_000)
    expect(page.locator('[data-figure="temperature_rise"]')).to_contain_text("±")
    assert serious_faults(page) == []


def compare_with_the_others(page: Page, sample: str, laboratory: Laboratory) -> str:
    page.goto("/comparisons/new/")
    page.locator("select[name=method]").select_option(laboratory.method.code)
    page.get_by_role("button", name="Go on to the samples").click()
    page.locator("input[name=title]").fill("Which paste runs coolest?")
    for code in (sample, *laboratory.others):
        page.locator(f"input[name=samples][value={code}]").check()
    page.get_by_role("button", name="Compare").click()
    rows = page.locator("table[data-ranking] tr[data-rank]")
    expect(rows).to_have_count(1 + len(laboratory.others))
    thin, thick = laboratory.others
    # by the truth of the layers: 10 mm2 K/W, 13 and 26.5
    assert [rows.nth(i).get_attribute("data-sample") for i in range(3)] == [thin, sample, thick]
    means = [float(str(rows.nth(i).get_attribute("data-mean"))) for i in range(3)]
    assert means == sorted(means)
    expect(rows.nth(1)).to_contain_text("±")
    expect(page.locator(".plot .main-svg").first).to_be_visible(timeout=20_000)
    assert serious_faults(page) == []
    return _code_of(page)


def the_records_break_no_rule(page: Page, addresses: list[str]) -> None:
    """The records as quality sees them, in the dark."""
    assert {address: found for address in addresses if (found := _faults(page, address))} == {}


def _faults(page: Page, address: str) -> list[str]:
    answer = page.goto(address)
    assert answer
    return serious_faults(page) if answer.ok else [f"status {answer.status}"]


def _as_file(name: str, content: bytes) -> dict[str, Any]:
    return {"name": name, "mimeType": "text/csv", "buffer": content}


def _code_of(page: Page) -> str:
    return page.locator("h1 .code").first.inner_text()
