"""The demonstration laboratory tells its story by the figures its rigs gave."""

from __future__ import annotations

import pytest
from django.core.management import call_command

from lims.accounts.models import User
from lims.runs.models import Reduction

pytestmark = pytest.mark.processes


@pytest.fixture
def laboratory(committed_db, file_store, settings, tmp_path):
    settings.VAR_DIR = tmp_path
    call_command("demo", password="paper-lantern-42-harbour")
    return tmp_path


def test_the_demo_tells_its_story(laboratory) -> None:
    assert User.objects.count() == 9
    assert not Reduction.objects.exclude(state="reduced").exists()
