"""A trace finds what a walk along the records' own relations finds, forward and back, and shows what it may."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.comparisons.drawing import draw, listed
from lims.comparisons.models import Comparison, Report
from lims.comparisons.recalls import note_told, recall_lines
from lims.comparisons.services import pose_comparison
from lims.comparisons.tracing import Node, edges_between, start_of, trace
from lims.core.errors import Invalid, NotAllowed, NotFound
from lims.files.services import store_file
from lims.formulations.models import Batch
from lims.materials.models import Lot
from lims.materials.services import blend_lots, split_lot
from lims.materials.services.making import Part
from lims.quality.models import Certificate
from lims.runs.models import Application, Reduction, Run
from lims.samples.models import Sample
from lims.samples.services import register_sample, split_sample
from lims.signatures.models import Meaning, Signature
from lims.signatures.services import sign
from tests.comparisons.results import measure
from tests.factories import (
    PASSWORD,
    make_application,
    make_made_batch,
    make_method_version,
    make_released_lot,
    make_rig,
    person,
    somebody,
)

pytestmark = pytest.mark.django_db
MODELS = {"lot": Lot, "batch": Batch, "sample": Sample, "application": Application, "run": Run} | {
    "reduction": Reduction, "comparison": Comparison, "report": Report, "certificate": Certificate,
    "signature": Signature,
}  # fmt: skip


def children(row: Any) -> Iterable[Any]:
    """The records made of one record, by its own relations: the plain walk the trace is held against."""
    if isinstance(row, Lot):
        yield from row.children.all()
        yield from {w.line.batch for w in row.weighings.all() if not hasattr(w, "replaced_by")}
        yield from row.samples.filter(parent=None)
    if isinstance(row, Batch):
        yield from [*row.reworks.all(), *row.samples.filter(parent=None)]
    if isinstance(row, Sample):
        yield from [*row.portions.all(), *row.applications.all(), *row.comparisons.all()]
    if isinstance(row, Application):
        yield from row.runs.all()
    if isinstance(row, Run):
        yield from [*row.zeroed_runs.all(), *row.closed_runs.all(), *row.reductions.all()]
    if isinstance(row, Reduction) and row.run.current_id == row.pk and row.run.application is not None:
        mine = row.run.application
        yield from Comparison.objects.filter(method_version=mine.method_version, samples=mine.sample)
    yield from papers(row)


def papers(row: Any) -> Iterable[Any]:
    """The certificates, reports and signatures of one record."""
    if isinstance(row, Lot | Batch):
        yield from Certificate.objects.filter(subject_kind=row.record_kind, subject_code=row.record_code)
    if isinstance(row, Comparison):
        yield from row.reports.all()
    if isinstance(row, Certificate | Report):
        yield row.signature
    if not isinstance(row, Signature):
        yield from Signature.objects.filter(subject_kind=row.record_kind, subject_code=row.record_code)


def walked(row: Any) -> set[tuple[type, int]]:
    found: set[tuple[type, int]] = set()
    waiting = [row]
    while waiting:
        for child in children(waiting.pop()):
            if (type(child), child.pk) not in found:
                found.add((type(child), child.pk))
                waiting.append(child)
    return found


def traced(start: Node, direction: Any = "forward", role: Role = Role.QUALITY) -> set[tuple[type, int]]:
    return {(MODELS[node.kind], node.id) for node in trace(somebody(role), start, direction).nodes}


def node(row: Any) -> Node:
    return start_of(somebody(Role.QUALITY), row.record_kind, row.record_code)


def a_signature(kind: str, code: str) -> Signature:
    content = {"made for": code}
    return sign(
        actor=somebody(Role.QUALITY), password=PASSWORD, meaning=Meaning.APPROVED, subject=(kind, code), content=content
    )


@pytest.fixture
def chain() -> dict[str, Any]:
    """Two batches of the same lots, portions of portions, runs, a comparison; a blend nobody weighed."""
    chemist, operator = somebody(Role.CHEMIST), somebody(Role.OPERATOR)
    batches = [make_made_batch(), make_made_batch()]
    lot = Lot.objects.filter(weighings__isnull=False).order_by("id").first()
    part = split_lot(lot, actor=chemist, mass=Decimal("1"))
    other = make_released_lot(lot.material)
    blend = blend_lots([Part(part, Decimal("0.5")), Part(other, Decimal("0.5"))], actor=chemist, how="tumbled")
    facts = {"actor": operator, "taken_at": timezone.now() - timedelta(hours=1), "container": "jar"}
    facts |= {"condition": "even", "location": "shelf"}
    samples = [register_sample(source=batch, amount=Decimal("0.02"), **facts) for batch in batches]
    portion = split_sample(samples[0], actor=operator, amount=Decimal("0.005"), container="syringe")
    finest = split_sample(portion, actor=operator, amount=Decimal("0.002"), container="syringe")
    blended = register_sample(source=blend, amount=Decimal("0.01"), **facts)
    rig, version = make_rig(), make_method_version()
    applications = [make_application(sample=s, rig=rig, version=version) for s in (finest, samples[1])]
    runs = [measure(a, rise) for a, rise in zip(applications, (10.0, 11.0), strict=True)]
    question = pose_comparison(
        actor=operator, title="which", method_version=version, samples=[finest, samples[1]], figure="temperature_rise"
    )
    paper = {"content": "{}", "digest": "0" * 64, "author": operator, "at": timezone.now(), "issue": 1}
    file = store_file(io.BytesIO(b"%PDF"), name="paper.pdf", media_type="application/pdf", by=operator)
    Certificate.objects.create(
        code="CR-0001/1", number="CR-0001", title="certificate", subject_kind="batch", subject_code=batches[0].code,
        customer="Aldermoor Pumps", customer_contact="Ms Brandt", paper=file, signature=a_signature("batch", "x"),
        **paper,
    )  # fmt: skip
    Report.objects.create(
        code="RP-0001/1", number="RP-0001", title="report", comparison=question, paper=file,
        signature=a_signature("comparison", "y"), **paper,
    )  # fmt: skip
    return {"lot": lot, "other": other, "blend": blend, "batch": batches[0], "sample": samples[0]} | {
        "finest": finest, "blended": blended, "run": runs[0], "comparison": question, "batches": batches,
    }  # fmt: skip


def test_a_trace_finds_what_a_plain_walk_finds_both_ways(chain):
    everything = [row for model in MODELS.values() for row in model.objects.all()]
    reach = {(type(row), row.pk): walked(row) for row in everything}
    assert sum(map(len, reach.values())) > 60
    for row in everything:
        kind = "signature" if isinstance(row, Signature) else row.record_kind
        code = str(row.pk) if isinstance(row, Signature) else row.record_code
        start = start_of(somebody(Role.QUALITY), kind, code)
        me = (type(row), row.pk)
        assert traced(start) == reach[me] - {me}, start
        assert traced(start, "back") == {other for other, below in reach.items() if me in below} - {me}, start


def test_a_lot_leads_through_its_batches_to_the_comparison_and_the_other_lot_does_not(chain):
    found = traced(node(chain["lot"]))
    for row in (
        chain["blend"],
        *chain["batches"],
        chain["finest"],
        chain["blended"],
        chain["run"],
        chain["comparison"],
    ):
        assert (type(row), row.pk) in found
    elsewhere = traced(node(chain["other"]))
    assert {model for model, _ in elsewhere} <= {Lot, Sample, Signature}


def test_a_certificate_and_its_customer_are_told_only_to_those_who_may_read_it(chain):
    start = node(chain["batch"])
    assert [n.label for n in trace(somebody(Role.QUALITY), start, "forward").of("certificate")] == [
        "certificate, for Aldermoor Pumps"
    ]
    assert trace(somebody(Role.OPERATOR), start, "forward").of("certificate") == []


def test_the_list_is_bounded_and_the_count_is_not(chain):
    bounded = trace(somebody(Role.QUALITY), node(chain["lot"]), "forward", most=1)
    whole = trace(somebody(Role.QUALITY), node(chain["lot"]), "forward", most=None)
    assert bounded.counts == whole.counts
    assert whole.counts["sample"] == 5
    assert len(bounded.of("sample")) == 1


def test_the_picture_runs_from_left_to_right_and_shows_each_record_once(chain):
    user, start = somebody(Role.QUALITY), node(chain["sample"])
    back, forward = trace(user, start, "back"), trace(user, start, "forward")
    shown = listed(start, back, forward)
    picture = draw(start, back, forward, edges_between(user, shown))
    boxes = {box.node.key: box for box in picture.boxes if box.node}
    assert set(boxes) == {n.key for n in shown}
    assert sum(box.first for box in boxes.values()) == 1
    for earlier, later in edges_between(user, shown):
        assert boxes[earlier].x <= boxes[later].x
    places = [(box.x, box.y) for box in picture.boxes]
    assert len(set(places)) == len(places)
    straight = (("sample", chain["finest"].pk), ("comparison", chain["comparison"].pk))
    assert straight in edges_between(user, shown)
    assert len(picture.lines) < len(edges_between(user, shown))


def test_the_recall_list_names_everything_and_who_was_told(chain):
    quality, start = somebody(Role.QUALITY), node(chain["lot"])
    told = {"told": "Ms Brandt, Aldermoor Pumps", "way": "telephone", "words": "do not use it"}
    note_told(start, actor=quality, told_at=timezone.now() - timedelta(minutes=5), about="=S", **told)
    rows = list(csv.DictReader(io.StringIO("".join(recall_lines(quality, start)))))
    reached = {(row["kind"], row["code"]) for row in rows if row["part"] == "reached"}
    assert len(reached) == len(traced(start))
    assert ("comparison", chain["comparison"].code) in reached
    [line] = [row for row in rows if row["part"] == "told"]
    assert line["told"] == "Ms Brandt, Aldermoor Pumps"
    assert line["how"] == "by telephone"
    assert line["what it is"] == "'=S"  # no formula for a table program


def test_only_quality_and_the_manager_say_who_was_told_and_in_full(chain):
    start, facts = node(chain["lot"]), {"told_at": timezone.now(), "way": "talk", "words": "stop"}
    with pytest.raises(NotAllowed):
        note_told(start, actor=somebody(Role.OPERATOR), told="somebody", **facts)
    with pytest.raises(Invalid) as refused:
        note_told(start, actor=somebody(Role.QUALITY), told=" ", **facts | {"told_at": timezone.now() + timedelta(1)})
    assert set(refused.value.fields) == {"told", "told_at"}


def test_what_cannot_be_traced_is_refused_in_words():
    with pytest.raises(Invalid, match="cannot be traced"):
        start_of(person(Role.OPERATOR), "balance", "BAL-01")
    with pytest.raises(NotFound):
        start_of(somebody(Role.OPERATOR), "lot", "LOT-9999")
    with pytest.raises(NotAllowed):
        start_of(person(Role.ADMINISTRATOR), "lot", "LOT-9999")
