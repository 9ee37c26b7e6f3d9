"""A result is set aside only with an assignable cause, its evidence and two persons; it stays on record."""

from __future__ import annotations

import io

import pytest

from lims.accounts.models import User
from lims.accounts.roles import Role
from lims.cases import services as cases
from lims.cases.services import Second
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.runs.models import Run
from lims.runs.services.invalidating import invalidate_run
from tests.comparisons.results import measure
from tests.factories import PASSWORD, make_application, person, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


def measured() -> Run:
    """An accepted run of an outside sample."""
    return measure(make_application(), 9.0)


def with_cause(run: Run) -> None:
    """A nonconformance about the run's sample whose cause is signed by two, with evidence."""
    quality, second = somebody(Role.QUALITY), person(Role.QUALITY, username="signs-too")
    case = cases.open_nonconformance(run.application.sample, actor=somebody(Role.OPERATOR), title="odd rise")
    cases.start_investigation(case, actor=quality)
    photograph = io.BytesIO(b"a scratched face")
    photograph.name = "face.jpg"
    cause = cases.Cause("rig", "the face was scratched", photograph)
    cases.find_cause(case, actor=quality, password=PASSWORD, second=Second(second, PASSWORD), found=cause)


def invalidate(run: Run, *, actor: User | None = None, second: User | None = None, secret: str = PASSWORD) -> Run:
    given = Second(second or somebody(Role.MANAGER), secret)
    return invalidate_run(
        run, actor=actor or somebody(Role.QUALITY), password=PASSWORD, second=given, reason="scratched face"
    )


def test_with_a_signed_cause_two_persons_set_a_result_aside_and_it_stays_on_record() -> None:
    run = measured()
    with pytest.raises(Conflict) as refused:
        invalidate(run)
    assert refused.value.code == "no-assignable-cause"
    with_cause(run)
    done = invalidate(run)
    assert done.state == "invalidated"
    assert done.reason.startswith("NC-")
    assert done.current is not None  # what was computed is still there to be read


def test_one_person_alone_somebody_without_the_right_or_who_made_the_run_sets_nothing_aside() -> None:
    run = measured()
    with_cause(run)
    quality = somebody(Role.QUALITY)
    with pytest.raises(NotAllowed, match="Two persons"):
        invalidate(run, actor=quality, second=quality)
    with pytest.raises(NotAllowed, match="password"):
        invalidate(run, secret="not theirs")
    with pytest.raises(NotAllowed):
        invalidate(run, second=somebody(Role.CHEMIST))
    Run.objects.filter(pk=run.pk).update(uploaded_by=quality)
    with pytest.raises(NotAllowed) as refused:
        invalidate(Run.objects.get(pk=run.pk))
    assert refused.value.code == "own-work"
    with pytest.raises(Invalid):
        invalidate_run(run, actor=quality, password=PASSWORD, second=Second(quality, PASSWORD), reason=" ")


def test_a_result_is_set_aside_on_its_page(client) -> None:
    run = measured()
    with_cause(run)
    client.force_login(somebody(Role.QUALITY))
    sent = {"reason": "scratched", "second": somebody(Role.MANAGER).username}
    sent |= {"second_password": PASSWORD, "password": PASSWORD}
    assert client.post(f"/runs/{run.code}/invalidate/", sent | {"second": "nobody"}).status_code == 422
    assert client.post(f"/runs/{run.code}/invalidate/", sent).status_code == 302
    assert "invalidated" in client.get(f"/runs/{run.code}/").content.decode()
