"""The demonstration's power cycles: a run that no plateau settles in, whose study tells the pump-out."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from django.core.cache import cache

from lims.demo import building, cycling, measuring
from lims.demo.simulator.ageing import course_of
from lims.runs.models import Run
from lims.runs.selectors.studies import study_run_for
from tests.runs.test_perform_reduction import reduce_all

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


def test_the_study_of_the_cycled_paste_tells_its_pump_out() -> None:
    cache.clear()
    lab, room = building.Laboratory(Random(20260301)), measuring.TestRoom()
    building.add_people(lab, fixed="correct horse battery staple")
    building.add_materials(lab)
    building.add_lots(lab)
    building.add_formulations(lab)
    building.add_batches(lab)
    measuring.add_rigs(lab, room)
    measuring.add_methods(lab, room)
    measuring.add_samples(lab, room)
    cycling.cycle(lab, room)
    reduce_all()
    cycling.open_up(lab, room)
    run = Run.objects.get(kind="sample")
    assert run.application.method_version.method.name == measuring.CYCLES
    assert run.state == "accepted", run.problems
    study = study_run_for(lab.people["manager"], run.code, "cycles")
    assert study.result["cycles"]["count"] == 40
    assert "pump_out" in {flag["code"] for flag in study.result["flags"]}
    change = study.result["figures"]["relative_change"]
    last_tenth = course_of(np.arange(36, 40) / 39, "onset").mean()
    assert abs(change["value"] - 100 * cycling.GROWN * last_tenth) < change["U95"], change
