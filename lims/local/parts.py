"""The parts of a running laboratory: what each can do, and those that are commands of the project itself."""

import signal
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from lims.local.processes import kill_session, start_process, stop_process

LOG_LIMIT = 10_000_000


class Part(Protocol):
    """Something that can be started, watched and stopped."""

    def start(self) -> None:
        """Start, or start again."""

    def stop(self) -> None:
        """Stop, and return when it has."""

    def has_died(self) -> bool:
        """Whether it ended without being told to."""


@dataclass
class Command:
    """A command of the project, its output kept in a log."""

    name: str
    arguments: list[str]
    environment: Mapping[str, str]
    folder: Path
    log: Path
    passed_files: tuple[int, ...] = ()
    stop_seconds: float = 8.0
    process: subprocess.Popen[bytes] | None = field(init=False, default=None)

    def start(self) -> None:
        """Start the command; what is left of an earlier one goes first."""
        if self.process is not None:
            kill_session(self.process)
        self.log.parent.mkdir(parents=True, exist_ok=True)
        if self.log.exists() and self.log.stat().st_size > LOG_LIMIT:
            self.log.replace(self.log.with_suffix(".old"))
        with self.log.open("ab") as output:
            self.process = start_process(
                [sys.executable, *self.arguments],
                environment=self.environment,
                output=output,
                options={"cwd": self.folder, "pass_fds": self.passed_files},
            )

    def stop(self) -> None:
        """Let the command finish what it is at; after a while, end it and all it started."""
        if self.process is not None:
            stop_process(self.process, gently=signal.SIGTERM, seconds=self.stop_seconds)
            kill_session(self.process)
            self.process = None

    def has_died(self) -> bool:
        """Whether the command ended without being told to."""
        return self.process is not None and self.process.poll() is not None

    @property
    def pid(self) -> int | None:
        """The id of the command's process, while it runs."""
        return self.process.pid if self.process is not None and self.process.poll() is None else None

    def exit_code(self) -> int:
        """Wait for the command's end; return its exit code."""
        return self.process.wait() if self.process is not None else 0

    def log_tail(self, *, lines: int = 12) -> str:
        """Return the last lines of the log."""
        return "\n".join(self.log.read_text(errors="replace").splitlines()[-lines:]) if self.log.exists() else ""
