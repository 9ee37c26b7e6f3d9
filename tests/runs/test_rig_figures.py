"""Figures of a rig: found in runs made for them, accepted by another person, in force from a day on."""

from __future__ import annotations

import io
from datetime import datetime, timedelta

import numpy as np
import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.rigs.models import Rig
from lims.rigs.selectors import setup_at
from lims.runs.models import Run
from lims.runs.selectors import rig_figures as selectors
from lims.runs.services import rig_figures as services
from lims.runs.services.rig_figures import Accepting
from lims.runs.services.runs import upload_run
from tests.factories import PASSWORD, make_rig, person, somebody
from tests.runs.test_perform_reduction import reduce_all

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]
EXPANSION = 0.06  # um/K, as simulated here
HEADER = "time,hot [degC],cold [degC],power [W],force [N],gap [um],coolant [degC]"


def bare_run(hot: float, begin: datetime) -> bytes:
    """A bare heated run settled at `hot` [degC] that began at `begin`: 400 s, once a second."""
    rng = np.random.default_rng(int(hot * 10))
    cold = 20.0 + 0.1 * (hot - 20.0)
    gap = 6.3 + EXPANSION * (0.5 * (hot + cold) - 20.0)
    true = np.array([hot, cold, 3.0 * (hot - 25.0), 250.0, gap, 20.0])
    rows = true + rng.normal(size=(400, 6)) * [0.01, 0.01, 0.05, 0.05, 0.01, 0.005]
    lines = [HEADER]
    for second, row in enumerate(rows):
        stamp = (begin + timedelta(seconds=second)).isoformat(timespec="milliseconds")
        lines.append(",".join([stamp, *(f"{value:.5f}" for value in row)]))
    return "\n".join(lines).encode()


def send(rig: Rig, hot: float, number: int) -> Run:
    begin = (timezone.now() - timedelta(hours=6 - number)).replace(microsecond=0)
    content = io.BytesIO(bare_run(hot, begin))
    return upload_run(
        actor=somebody(Role.OPERATOR), content=content, name=f"bare-{number}.csv", rig=rig, kind=Run.Kind.RIG
    )


def bare_runs(*temperatures: float) -> tuple[Rig, list[Run]]:
    rig = make_rig()
    sent = [send(rig, hot, number) for number, hot in enumerate(temperatures)]
    reduce_all()
    return rig, [Run.objects.select_related("current").get(pk=run.pk) for run in sent]


def proposed(*temperatures: float, kind: str = "expansion"):
    rig, runs = bare_runs(*(temperatures or (35.0, 45.0, 60.0, 75.0)))
    return services.propose_rig_figure(
        rig, actor=somebody(Role.OPERATOR), kind=kind, runs=runs, reason="the gap reading grows with warmth"
    )


def accept(figure, *, actor=None, start: datetime | None = None):
    actor = actor or somebody(Role.RIG_KEEPER)
    return services.accept_rig_figure(
        figure, actor=actor, password=PASSWORD, accepting=Accepting("as in other years", start)
    )


def test_a_run_for_the_rig_is_kept_read_and_accepted_without_an_application() -> None:
    _, (run, *_) = bare_runs(35.0)
    assert (run.kind, run.state, run.application) == ("rig", "accepted", None)
    assert run.current.figures == {}
    assert run.zero is None


def test_a_figure_is_found_with_its_uncertainty_and_changes_nothing_until_accepted() -> None:
    figure = proposed()
    # closed form: reading = zero + expansion * (mean block temperature - 20 degC)
    assert abs(figure.value - EXPANSION * 1e-6) <= 2.5 * figure.u
    assert figure.u > 0
    assert "gap_expansion" in figure.result["figures"]
    assert figure.rig.configurations.count() == 1
    assert list(selectors.figures_to_accept()) == [figure]


def test_once_accepted_it_stands_in_a_new_configuration_from_its_day_and_not_before() -> None:
    figure = proposed()
    start = timezone.now() - timedelta(hours=3)
    before = setup_at(figure.rig, start - timedelta(hours=1))
    done = accept(figure, start=start)
    assert done.configuration.gap_expansion == figure.value
    assert done.configuration.gap_expansion_u == figure.u
    assert done.configuration.channels.count() == figure.rig.configurations.get(number=1).channels.count()
    assert setup_at(figure.rig, start - timedelta(hours=1)) == before
    assert setup_at(figure.rig, timezone.now())["configuration"] == done.configuration.pk
    with pytest.raises(Conflict):
        accept(done)


def test_who_made_the_runs_or_proposed_it_does_not_accept_it() -> None:
    figure = proposed()
    keeper = somebody(Role.RIG_KEEPER)
    Run.objects.filter(rig_figures=figure).update(uploaded_by=keeper)
    with pytest.raises(NotAllowed) as refused:
        accept(figure)
    assert refused.value.code == "own-work"
    with pytest.raises(NotAllowed):
        accept(figure, actor=somebody(Role.CHEMIST))


def test_a_figure_turned_down_stays_on_record_and_a_decided_one_cannot_be_changed_by_sql() -> None:
    figure = proposed()
    with pytest.raises(Invalid):
        services.turn_down_rig_figure(figure, actor=somebody(Role.QUALITY), reason=" ")
    done = services.turn_down_rig_figure(figure, actor=somebody(Role.QUALITY), reason="the coolant drifted")
    assert done.state == "turned_down"
    with pytest.raises(DatabaseError, match="cannot change"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE runs_rigfigure SET state = 'accepted' WHERE id = %s", [done.pk])


def test_runs_that_bear_no_figure_are_refused_with_the_reason() -> None:
    with pytest.raises(Invalid, match="at least 5 K") as refused:
        proposed(40.0, 41.0, 42.0)
    assert refused.value.code == "not-defensible"


def test_runs_of_another_rig_or_kind_are_refused_by_name() -> None:
    rig, runs = bare_runs(35.0)
    given = {"actor": somebody(Role.OPERATOR), "reason": "x"}
    with pytest.raises(Invalid, match=f"{runs[0].code} is of {rig.code}"):
        services.propose_rig_figure(make_rig("bench-3"), kind="expansion", runs=runs, **given)
    with pytest.raises(Invalid, match="a reference run is expected"):
        services.propose_rig_figure(rig, kind="floor", runs=runs, **given)
    with pytest.raises(Invalid, match="Choose the runs"):
        services.propose_rig_figure(rig, kind="expansion", runs=[], **given)


def test_a_figure_is_proposed_and_accepted_on_pages_and_read_by_api(client) -> None:
    rig, runs = bare_runs(35.0, 45.0, 60.0, 75.0)
    client.force_login(somebody(Role.OPERATOR))
    sent = {"kind": "expansion", "runs": [run.code for run in runs], "reason": "warmth"}
    assert runs[0].code in client.get(f"/rigs/{rig.code}/figures/new/").content.decode()
    answer = client.post(f"/rigs/{rig.code}/figures/new/", sent)
    assert answer.status_code == 302, answer.content.decode()
    code = answer.url.rstrip("/").rsplit("/", 1)[-1]
    assert "um/K" in client.get(answer.url).content.decode().replace("µ", "u")
    client.force_login(person(Role.RIG_KEEPER, username="second-keeper"))
    accepted = client.post(f"/rig-figures/{code}/accept/", {"reason": "good", "password": PASSWORD})
    assert accepted.status_code == 302
    assert code in client.get(f"/rigs/{rig.code}/").content.decode()
    api = APIClient()
    api.force_authenticate(somebody(Role.CHEMIST))
    assert api.get(f"/api/rig-figures/{code}/").data["configuration"] == 2
    assert api.post(f"/api/rigs/{rig.code}/figures/", sent, format="json").status_code == 403
