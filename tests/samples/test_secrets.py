"""What a sample is made of stays with those who may read recipes; what can hurt is told to everybody."""

from __future__ import annotations

from decimal import Decimal

import pytest
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.core.errors import Conflict
from lims.formulations.models import Batch, BatchLine
from lims.materials.services import create_material, set_incompatible
from lims.runs.selectors.applications import refuse_attack
from lims.samples.models import Sample
from lims.samples.selectors import attacks, cautions_of, hazards_of
from tests.factories import make_blocks, make_sample, somebody

pytestmark = pytest.mark.django_db
SECRET = "gallium indium eutectic"


def make_alloy_sample() -> Sample:
    """A sample of a batch that holds a gallium alloy."""
    chemist = somebody(Role.CHEMIST)
    alloy = create_material(
        actor=chemist,
        name=SECRET,
        kind="metal",
        hazards=[{"code": "H290", "text": "May be corrosive to metals"}],
        hazards_source="safety data sheet of the supplier",
    )
    batch = Batch(code="B-9002", name="paste 9", exploratory=True, state="made", target_mass=1, frozen={"lines": []})
    batch.planned_by = chemist
    batch.save()
    mass = Decimal("0.7")
    BatchLine(batch=batch, position=1, material=alloy, target=mass, tolerance=mass, outer_tolerance=mass).save()
    return make_sample(source=batch, name="")


def test_an_operator_is_warned_and_learns_no_composition(client) -> None:
    sample, operator = make_alloy_sample(), somebody(Role.OPERATOR)
    client.force_login(operator)
    api = APIClient()
    api.force_authenticate(operator)
    page = client.get(f"/samples/{sample.code}/").content.decode()
    answer = str(api.get(f"/api/samples/{sample.code}/").data)
    label = client.get(f"/samples/{sample.code}/label/").content.decode()
    for text in (page, answer, label):
        assert SECRET not in text
        assert "0.7" not in text
    assert "brittle" in page
    assert "H290" in label
    assert cautions_of(sample) == ["gallium"]
    assert hazards_of(sample) == ("H290",)


def test_the_refusal_on_aluminium_names_the_harm_and_not_the_ingredient() -> None:
    sample = make_alloy_sample()
    block = make_blocks(somebody(Role.RIG_KEEPER), metal="nickel-plated aluminium").hot
    with pytest.raises(Conflict, match="attacks nickel-plated aluminium") as caught:
        refuse_attack(sample, block)
    assert SECRET not in caught.value.message


def test_materials_recorded_as_incompatible_are_found_by_the_metal_of_the_block() -> None:
    chemist = somebody(Role.CHEMIST)
    brass = create_material(actor=chemist, name="brass", kind="metal")
    acid = create_material(actor=chemist, name="acid flux", kind="additive")
    set_incompatible(acid, actor=chemist, other=brass, effect="corrodes", source="invented")
    sample = make_sample()
    assert not attacks(sample, "brass")
    batch = Batch(code="B-9003", name="flux", exploratory=True, state="made", target_mass=1, frozen={"lines": []})
    batch.planned_by = chemist
    batch.save()
    mass = Decimal("0.1")
    BatchLine(batch=batch, position=1, material=acid, target=mass, tolerance=mass, outer_tolerance=mass).save()
    assert attacks(make_sample(source=batch, name=""), "Brass")
    assert not attacks(make_sample(source=batch, name=""), "copper")
