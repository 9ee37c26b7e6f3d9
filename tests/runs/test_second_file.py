"""What a second logger recorded of a run: kept, joined by time, reduced with it."""

from __future__ import annotations

import csv
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from lims.accounts.roles import Role
from lims.core.errors import Conflict
from lims.runs.selectors.traces import drawing_of
from lims.runs.services.second_files import add_second_file
from tests.factories import make_application, somebody
from tests.runs.recordings import make_files
from tests.runs.test_perform_reduction import reduce_all, send, sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


def split(content: bytes, *, taken: str, clock: bool = True) -> tuple[bytes, bytes]:
    """A recording as two loggers would have made it: the second one holds one column; without clock, plain seconds."""
    rows = list(csv.reader(io.StringIO(content.decode())))
    place = rows[0].index(taken)
    first, second = io.StringIO(), io.StringIO()
    csv.writer(first).writerows([row[:place] + row[place + 1 :] for row in rows])
    times = [row[0] for row in rows] if clock else ["time [s]", *(str(2.0 * n) for n in range(len(rows) - 1))]
    csv.writer(second).writerows([[time, row[place]] for time, row in zip(times, rows, strict=True)])
    return first.getvalue().encode(), second.getvalue().encode()


def test_a_run_in_two_files_gives_the_figures_of_one(client) -> None:
    whole, _ = sent_with_zero()
    application, files = make_application(rig=whole.rig), make_files(seed=1)
    first, second = split(files.run, taken="force [N]")
    run = send(first, application=application)
    reduce_all()
    run.refresh_from_db()
    # the rig's configuration names a column that this file lacks
    assert run.state == "refused"
    operator = somebody(Role.OPERATOR)
    client.force_login(operator)
    told = {"file": SimpleUploadedFile("load cell.csv", second), "offset": "", "reason": "the load cell logs by itself"}
    assert client.post(f"/runs/{run.code}/second-file/", told).status_code == 302
    reduce_all()
    run.refresh_from_db()
    assert run.current.inputs["second"] == run.second.sha256
    for key in ("pressure", "thermal_impedance", "gap"):
        assert run.current.figures[key]["value"] == pytest.approx(whole.current.figures[key]["value"], rel=1e-6), key
    page = client.get(f"/runs/{run.code}/").content.decode()
    assert "load cell.csv" in page
    assert "by the clocks of both files" in page
    assert "which began 0 s after" in page
    assert "force" in str(drawing_of(run.current))
    assert client.get(f"/runs/{run.code}/studies/press/").status_code == 200


def test_a_clock_difference_is_typed_where_the_second_file_does_not_tell_and_its_lack_is_said() -> None:
    application, files = make_application(), make_files()
    first, second = split(files.run, taken="force [N]", clock=False)
    run, operator = send(first, application=application), somebody(Role.OPERATOR)
    reduce_all()
    with pytest.raises(Conflict, match="same bytes"):  # as its own first file
        add_second_file(run, actor=operator, content=io.BytesIO(first), name="x.csv", reason="again")
    add_second_file(run, actor=operator, content=io.BytesIO(second), name="load.csv", reason="load cell")
    reduce_all()
    failed = run.reductions.order_by("-id").first()
    assert failed is not None
    assert "began" in failed.error["message"]
    add_second_file(run, actor=operator, content=io.BytesIO(second), name="load.csv", reason="its clock", offset=0.0)
    reduce_all()
    run.refresh_from_db()
    assert "as stated" in run.current.result["notes"]["joined with"]
    assert run.current.figures["pressure"]["value"] > 0
