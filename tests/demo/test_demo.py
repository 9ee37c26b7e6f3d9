"""The demonstration laboratory tells its story by the figures its rigs gave and by what quality did with them."""

from __future__ import annotations

from collections import Counter

import pytest
from django.core.management import call_command

from lims.accounts.models import User
from lims.cases.models import Concession, Nonconformance
from lims.demo.scenario import PEOPLE
from lims.formulations.models import Batch, FormulationVersion
from lims.materials.models import Lot
from lims.quality.models import Decision
from lims.runs.models import Reduction
from lims.samples.models import LabelFormat
from lims.specifications.models import SpecificationVersion

pytestmark = pytest.mark.processes


@pytest.fixture
def laboratory(committed_db, file_store, settings, tmp_path):
    settings.VAR_DIR = tmp_path
    call_command("demo", password="paper-lantern-42-harbour")
    return tmp_path


def states(rows) -> Counter[str]:
    return Counter(rows.values_list("state", flat=True))


def test_the_demo_tells_its_story(laboratory) -> None:
    assert User.objects.filter(is_service=False).count() == len(PEOPLE)
    assert not Reduction.objects.exclude(state="reduced").exists()
    _quality_decided_and_has_more_to_decide()
    _work_goes_on()


def _quality_decided_and_has_more_to_decide() -> None:
    assert states(SpecificationVersion.objects) == {"approved": 6}
    lots, batches = states(Lot.objects), states(Batch.objects)
    assert (lots["rejected"], lots["restricted"]) == (1, 1)
    assert lots["quarantine"]
    assert lots["under_test"] >= 2
    assert batches["under_test"] > 5
    assert Concession.objects.get().granted
    # one returned, one conceded; another in its first look; the coarse lot's is open
    assert states(Nonconformance.objects) == {"closed": 2, "phase_1": 1, "open": 1}
    released = Decision.objects.filter(subject_kind="lot", outcome="release", verdicts__isnull=False)
    assert released.distinct().count() >= 18
    assert not released.exclude(verdicts__outcome="pass").exists()


def _work_goes_on() -> None:
    assert LabelFormat.objects.count() == 2
    assert states(FormulationVersion.objects)["in_review"] == 1
