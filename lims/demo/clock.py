"""Let the laboratory's clock stand at a moment of the story, so that the demo's weeks lie behind today."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from unittest import mock

from django.utils import timezone


@contextmanager
def clock_at(moment: datetime) -> Iterator[None]:
    """What asks Django for the time is told `moment`. Only the demo does this; the triggers' own clock runs on."""
    with mock.patch.object(timezone, "now", return_value=moment):
        yield
