"""What the history says of a change: other records by their codes, people by their names, recipes to few."""

from __future__ import annotations

import pytest

from lims.accounts.models import User
from lims.accounts.roles import Role
from lims.audit.selectors import history_of, readable
from lims.formulations import services as formulations
from tests.factories import make_batch, make_lot, make_material, make_released_lot, somebody

pytestmark = pytest.mark.django_db


def test_another_record_is_named_by_its_code_and_a_person_by_name() -> None:
    lot = make_lot(make_material())
    changes = {change["field"]: change["new"] for change in history_of("lot", lot.code).get(act="lot.receive").changes}
    assert changes["material"] == lot.material.code
    assert changes["received_by"] == somebody(Role.CHEMIST).printed_name
    assert not [name for name in changes if name.endswith("_id")]


def test_which_lot_was_weighed_is_hidden_from_those_who_may_not_read_recipes() -> None:
    line = make_batch().lines.order_by("position").first()
    lot = make_released_lot(line.material)
    chemist, operator = somebody(Role.CHEMIST), somebody(Role.OPERATOR)
    formulations.weigh(line, actor=chemist, lot=lot, net=line.target, balance="BAL-01")
    assert lot.code in _seen_by(chemist, line.batch.code)
    assert not {lot.code, line.material.code} & _seen_by(operator, line.batch.code)


def _seen_by(person: User, code: str) -> set[object]:
    entries = readable(history_of("batch", code), person)
    return {change["new"] for entry in entries for change in entry.changes if not isinstance(change["new"], list)}
