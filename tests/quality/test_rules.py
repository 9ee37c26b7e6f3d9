"""What is judged, by which rule: each result or their mean, a guard band or a risk, a warning before the limit."""

from __future__ import annotations

import pytest

from lims.accounts.roles import Role
from lims.core.errors import Invalid
from lims.materials import services as materials
from lims.materials.models import Lot, Material
from lims.quality import selectors, services
from lims.quality.models import Verdict
from lims.specifications.services import LimitSpec
from tests.factories import add_d50, make_lot, make_material, make_specification, somebody

pytestmark = pytest.mark.django_db


def lot_with(*limits: LimitSpec, values: tuple[float, ...], u: float = 0.02, **rule) -> Lot:
    material = make_material(f"filler {Material.objects.count()}")
    make_specification(material, *limits, **({"guard_factor": 0.0} | rule))
    lot = materials.start_lot_test(make_lot(material), actor=somebody(Role.QUALITY))
    for value in values:
        add_d50(lot, value, u=u)
    return lot


def outcome(lot: Lot) -> str:
    (judgement,) = selectors.standing_of_lot(lot).judgements
    return judgement.outcome


def limit(**facts) -> LimitSpec:
    return LimitSpec("d50", "um", lower=4.0, upper=6.0, **facts)


def test_with_the_mean_in_and_one_result_out_the_written_rule_decides() -> None:
    values = (5.2, 5.4, 6.3, 5.1)
    assert outcome(lot_with(limit(results_required=4), values=values)) == "fail"
    lot = lot_with(limit(results_required=4, basis="mean"), values=values)
    (judgement,) = selectors.standing_of_lot(lot).judgements
    assert judgement.outcome == "pass"
    assert len(judgement.evidence) == 4  # every result is named beside the mean


def test_a_mean_of_results_without_uncertainty_is_not_evaluable() -> None:
    lot = lot_with(limit(results_required=2, basis="mean"), values=(5.2,))
    add_d50(lot, 5.3, u=None)
    assert outcome(lot) == "not_evaluable"


def test_the_same_result_passes_under_one_stated_risk_and_not_under_a_smaller_one() -> None:
    # one-sided normal: 1.8 u inside the limit leaves a risk of 3.6 %
    assert outcome(lot_with(limit(), values=(5.82,), u=0.1, risk=0.05)) == "pass"
    assert outcome(lot_with(limit(), values=(5.82,), u=0.1, risk=0.02)) == "conditional_pass"


def test_beyond_a_warning_limit_a_result_passes_and_says_so() -> None:
    lot = lot_with(limit(warn_upper=5.5), values=(5.7,))
    (judgement,) = selectors.standing_of_lot(lot).judgements
    assert judgement.outcome == "pass"
    assert "beyond the warning limit" in judgement.message
    with pytest.raises(Invalid, match="within the limits"):
        lot_with(limit(warn_upper=6.5), values=())


def test_a_verdict_names_its_results_and_a_failure_opens_one_case_that_the_same_result_never_opens_again() -> None:
    lot = lot_with(limit(), values=())
    services.record_lot_result(lot, actor=somebody(Role.CHEMIST), quantity="d50", value=7.5, unit="um", u=0.02)
    assert Verdict.objects.get().outcome == "fail"
    services.judge_lot(lot, actor=None)
    assert Verdict.objects.count() == 1
