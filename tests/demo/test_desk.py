"""The demonstration's receiving desk: what its curves, records and dried lot tell."""

from __future__ import annotations

from random import Random

import pytest

from lims.demo import building, desk
from lims.materials import selectors

pytestmark = pytest.mark.django_db


def test_the_curve_of_the_coarse_lot_shows_the_tail_and_the_alloy_must_not_meet_aluminium() -> None:
    lab = building.Laboratory(Random(20260301))
    building.add_people(lab, fixed="correct horse battery staple")
    building.add_materials(lab)
    building.add_lots(lab)
    desk.add_desk(lab)
    sizes = [selectors.distributions_of(lot)[0].sizes for lot in lab.lots["zinc oxide, fine"]]
    fine, _, coarse = (found.d43 for found in sizes)
    assert coarse > 1.3 * fine
    (met,) = selectors.warnings_between([lab.materials["gallium-indium-tin alloy"]], surfaces=["Aluminium, bare"])[:1]
    assert met.source == "common practice, no source"
    (dried,) = selectors.descendants_of(lab.lots["aluminium nitride, round"][0])
    assert dried.lot.state == "quarantine"
