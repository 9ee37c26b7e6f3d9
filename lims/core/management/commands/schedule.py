"""`manage.py schedule`: calls what has to be done over and over, in the foreground, until told to stop."""

import math
import signal
import threading
import time
from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog
from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import close_old_connections
from django.utils.module_loading import import_string

log = structlog.get_logger(__name__)

LONGEST_WAIT = 60.0


@dataclass
class Duty:
    """One function and when it is due again [s on the monotonic clock]."""

    path: str
    function: Callable[[], object]
    every: int
    due: float = 0.0

    def do(self) -> None:
        """Call the function. A failure is logged and tried again the next time: other duties go on."""
        close_old_connections()
        try:
            self.function()
        except Exception:  # whatever one duty raises must not stop the others
            log.exception("duty failed", duty=self.path)
        self.due = time.monotonic() + self.every


class Command(BaseCommand):
    """Run the duties of `settings.SCHEDULE`, each when its time has come."""

    help = "Call the functions listed in settings.SCHEDULE, each every so many seconds, until stopped."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="call each function once and end")
        parser.add_argument("--alive-file", type=Path, help="touch this file at least once a minute, for health checks")

    def handle(self, *args: Any, once: bool, alive_file: Path | None, **options: Any) -> None:
        duties = [Duty(path, import_string(path), every) for path, every in settings.SCHEDULE.items()]
        if once:
            for duty in duties:
                duty.do()
            return
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        log.info("schedule started", duties=[duty.path for duty in duties])
        run_until(stop, duties=duties, alive_file=alive_file)


def run_until(stop: threading.Event, *, duties: list[Duty], alive_file: Path | None = None) -> None:
    """Do each duty when it is due, until `stop` is set."""
    while not stop.is_set():
        if alive_file is not None:
            alive_file.touch()
        for duty in duties:
            if duty.due <= time.monotonic() and not stop.is_set():
                duty.do()
        next_due = min((duty.due for duty in duties), default=math.inf)
        stop.wait(min(LONGEST_WAIT, max(0.05, next_due - time.monotonic())))
