"""Every act on a sample from every state: allowed where the table says so, refused everywhere else."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.cases.services import open_nonconformance, place_hold
from lims.core.errors import Conflict, Invalid, WrongState
from lims.samples import services
from lims.samples.models import Sample
from lims.samples.services.states import start_test
from lims.samples.states import MACHINE, SampleState
from tests.factories import make_sample, somebody

pytestmark = pytest.mark.django_db


def quality() -> Any:
    return somebody(Role.QUALITY)


def operator() -> Any:
    return somebody(Role.OPERATOR)


def tomorrow() -> Any:
    return timezone.localdate() + timedelta(days=1)


ACTS: dict[str, Callable[[Sample], Any]] = {
    "take": lambda s: services.take_sample(s, actor=operator()),
    "refuse": lambda s: services.refuse_sample(s, actor=operator(), reason="leaked"),
    "start_test": start_test,
    "return": lambda s: services.return_sample(s, actor=operator(), location="cabinet 1"),
    "use_up": lambda s: services.use_up_sample(s, actor=operator()),
    "split": lambda s: services.split_sample(s, actor=operator(), amount=Decimal("0.001"), container="jar"),
    "retain": lambda s: services.retain_sample(s, actor=quality(), location="archive", keep_until=tomorrow()),
    "release_for_retest": lambda s: services.release_sample_for_retest(s, actor=quality(), reason="plan 1"),
    "dispose": lambda s: services.dispose_sample(s, actor=quality(), reason="waste"),
    "void": lambda s: services.void_sample(s, actor=operator(), reason="twice"),
}


def test_every_row_of_the_table_has_an_act() -> None:
    assert set(ACTS) == set(MACHINE.moves)


def in_state(state: str) -> Sample:
    sample = make_sample(into_custody=False)
    Sample.objects.filter(pk=sample.pk).update(state=state)
    sample.refresh_from_db()
    return sample


@pytest.mark.parametrize("act", list(MACHINE.moves))
def test_an_act_works_from_the_states_of_its_row_and_from_no_other(act: str) -> None:
    for state in SampleState.values:
        sample = in_state(state)
        if state in MACHINE.moves[act].before:
            ACTS[act](sample)
            sample.refresh_from_db()
            assert sample.state == MACHINE.moves[act].after, state
        else:
            with pytest.raises(WrongState) as caught:
                ACTS[act](sample)
            assert caught.value.extra["allowed"] == MACHINE.allowed(state)


def test_a_retained_sample_stays_until_its_day() -> None:
    sample = services.retain_sample(make_sample(), actor=quality(), location="archive", keep_until=tomorrow())
    with pytest.raises(Conflict, match=tomorrow().isoformat()) as caught:
        services.dispose_sample(sample, actor=quality(), reason="waste")
    assert caught.value.code == "keep-until"


def test_disposal_with_an_open_case_names_the_case() -> None:
    sample = make_sample()
    case = open_nonconformance(sample, actor=operator(), title="impedance out of limit")
    with pytest.raises(Conflict, match=case.code) as caught:
        services.dispose_sample(sample, actor=quality(), reason="waste")
    assert caught.value.code == "open-nonconformance"


def test_a_hold_stops_splitting_and_retaining() -> None:
    sample = make_sample()
    place_hold(sample, actor=operator(), reason="mixed up?")
    for act in ("split", "retain", "start_test"):
        with pytest.raises(Conflict) as caught:
            ACTS[act](sample)
        assert caught.value.code == "on-hold"


@pytest.mark.parametrize(
    "act", [services.refuse_sample, services.void_sample, services.dispose_sample], ids=lambda act: act.__name__
)
def test_an_end_needs_a_reason(act: Callable[..., Any]) -> None:
    sample = make_sample(into_custody=act is services.dispose_sample)
    with pytest.raises(Invalid) as caught:
        act(sample, actor=quality(), reason=" ")
    assert "reason" in caught.value.fields


def test_what_is_used_up_has_nothing_left() -> None:
    from lims.samples.selectors import left

    sample = start_test(make_sample())
    assert left(services.use_up_sample(sample, actor=operator())) == 0
