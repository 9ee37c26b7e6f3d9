"""What the methods beside a reduction find, from what stands on record."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from types import MappingProxyType

import pytest
from django.core.cache import cache
from django.core.files.storage import default_storage

from analysis.methods import METHODS
from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed, NotFound, TooLarge
from lims.files.models import StoredFile
from lims.runs import bridge
from lims.runs.models import Run
from lims.runs.selectors import studies
from tests.factories import person, somebody
from tests.runs.studied import CONDUCTIVITY, CONTACT, a_series
from tests.runs.test_perform_reduction import sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture(autouse=True)
def _empty_cache():
    cache.clear()


@pytest.fixture
def reader():
    return somebody(Role.AUDITOR)


def command_line(*arguments: str) -> dict:
    """What `python -m analysis` prints; 3 is its answer where no figure can be defended."""
    done = subprocess.run([sys.executable, "-m", "analysis", *arguments, "--json"], capture_output=True, timeout=120)
    assert done.returncode in (0, 3), done.stderr
    return json.loads(done.stdout)


def test_every_method_of_one_run_gives_what_the_command_line_prints(reader, tmp_path) -> None:
    run, _ = sent_with_zero()
    (tmp_path / "result.json").write_text(json.dumps(run.current.result))
    arguments = ["--setup", str(tmp_path / "result.json")]
    for role, digest in run.current.inputs.items():
        file = StoredFile.objects.get(sha256=digest)
        with default_storage.open(file.path) as stored:
            (tmp_path / file.name).write_bytes(stored.read())
        arguments += ["--zero", str(tmp_path / file.name)] if role == "zero" else []
    kinds = studies.studies_of(run.current)
    assert {"press", "cycles", "thinning"} <= {kind.key for kind in kinds}
    for kind in kinds:
        study = studies.study_run_for(reader, run.code, kind.key)
        assert study.result == command_line(kind.key, str(tmp_path / run.file.name), *arguments)
        assert study.result["files"] == {role: run.current.inputs[role] for role in ("run", "zero")}


def test_every_method_of_several_runs_gives_what_the_command_line_prints(reader, tmp_path) -> None:
    runs = a_series(40, 80, 160)
    for run in runs:
        (tmp_path / run.code).write_text(json.dumps(run.current.result))
    for kind in studies.studies_of_runs():
        study = studies.study_runs_for(reader, [run.code for run in runs], kind.key)
        assert study.result == command_line(kind.key, *(str(tmp_path / run.code) for run in runs))


def test_a_series_finds_what_the_layers_were_made_of(reader) -> None:
    runs = a_series(40, 80, 160)
    result = studies.study_runs_for(reader, [run.code for run in runs], "series").result
    for key, truth in (("conductivity", CONDUCTIVITY), ("contact_impedance", 1e6 * CONTACT)):
        figure = result["figures"][key]
        assert abs(figure["value"] - truth) < 2 * figure["k"] * figure["u"], key
    assert -1 < result["line"]["correlation"] < 0


def test_gaps_that_are_all_alike_are_refused_in_words(reader) -> None:
    runs = a_series(60, 60, 60)
    study = studies.study_runs_for(reader, [run.code for run in runs], "series")
    assert study.result["figures"] == {}
    assert study.flags[0]["severity"] == "blocks"
    assert "gap" in study.flags[0]["message"]


def test_a_study_is_computed_once_and_again_after_another_reduction(reader, monkeypatch) -> None:
    run, _ = sent_with_zero()
    first = studies.study_run_for(reader, run.code, "press").result
    with monkeypatch.context() as patch:
        patch.setattr(bridge, "study_run", lambda *_, **__: pytest.fail("it was computed twice"))
        assert studies.study_run_for(reader, run.code, "press").result == first
    setup = {**run.current.setup, "rig": {**run.current.setup["rig"], "area": "900 mm^2"}}
    made = type(run.current)(
        **{
            field.attname: getattr(run.current, field.attname)
            for field in run.current._meta.concrete_fields
            if not field.primary_key
        }
        | {"code": "RED-99999", "setup": setup}
    )
    made.save()
    run.current = made
    run.save()
    assert studies.study_run_for(reader, run.code, "press").result != first


def test_a_method_added_to_the_registry_can_be_asked_for_at_once(reader, monkeypatch) -> None:
    added = replace(METHODS["press"], label="Press again")
    monkeypatch.setattr(bridge, "METHODS", MappingProxyType({**METHODS, "again": added}))
    run, _ = sent_with_zero()
    assert "Press again" in {kind.label for kind in studies.studies_of(run.current)}
    assert studies.study_run_for(reader, run.code, "again").result["method"]["name"] == "press"


def test_a_method_that_reduces_is_no_study() -> None:
    assert "steady" not in {kind.key for kind in bridge.study_kinds()}


def test_a_run_without_the_channel_is_refused_by_its_name(reader, monkeypatch) -> None:
    run, _ = sent_with_zero()
    wanting = replace(METHODS["press"], needs=("gap", "coolant_flow"))
    monkeypatch.setattr(bridge, "METHODS", MappingProxyType({"press": wanting}))
    assert studies.studies_of(run.current) == []
    with pytest.raises(Conflict, match="no channel for coolant flow"):
        studies.study_run_for(reader, run.code, "press")


def test_a_long_run_is_refused_with_the_command_that_takes_it(reader) -> None:
    run, _ = sent_with_zero()
    Run.objects.filter(pk=run.pk).update(rows=studies.MOST_ROWS + 1)
    with pytest.raises(TooLarge) as caught:
        studies.study_run_for(reader, run.code, "press")
    assert "python -m analysis press" in caught.value.next_step


def test_a_zero_has_no_study(reader) -> None:
    _, zero = sent_with_zero()
    assert studies.studies_of(zero.current) == []
    with pytest.raises(Conflict, match="zero"):
        studies.study_run_for(reader, zero.code, "press")


def test_what_is_not_there_is_told(reader) -> None:
    run, _ = sent_with_zero()
    with pytest.raises(NotFound, match="press"):
        studies.study_run_for(reader, run.code, "nonsense")
    with pytest.raises(NotFound, match="R-9999"):
        studies.study_runs_for(reader, [run.code, "R-9999"], "series")
    with pytest.raises(Invalid):
        studies.study_runs_for(reader, [], "series")


def test_an_outsider_studies_nothing() -> None:
    run, _ = sent_with_zero()
    outsider = person(None)
    with pytest.raises(NotAllowed):
        studies.study_run_for(outsider, run.code, "press")
    with pytest.raises(NotAllowed):
        studies.study_runs_for(outsider, [run.code], "series")
