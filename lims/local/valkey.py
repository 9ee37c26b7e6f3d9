"""A queue server of our own. It keeps nothing on disk: the database is the queue's memory."""

import signal
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

import redis

from lims.local.binaries import queue_program
from lims.local.errors import CannotStart
from lims.local.folders import kept_secrets, write_secret
from lims.local.processes import free_port, start_process, stop_process, wait_until

START_SECONDS = 20.0


@dataclass
class ValkeyServer:
    """One queue on 127.0.0.1, with a password, on a free port."""

    folder: Path
    port: int = field(init=False, default=0)
    _process: subprocess.Popen[bytes] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.folder = self.folder.resolve()
        self.password = kept_secrets(self.folder / "secrets.json", names=("queue",))["queue"]

    @property
    def address(self) -> str:
        """The address as the queue's clients read it."""
        return f"redis://:{self.password}@127.0.0.1:{self.port}/0"

    def start(self) -> None:
        """Start and wait until it answers; a port served before is kept."""
        deadline = time.monotonic() + START_SECONDS
        self.port = self.port or free_port()
        while not self._start_once(deadline):
            if time.monotonic() > deadline:
                raise CannotStart(f"The queue did not start; see {self.folder / 'server.log'}.")
            self.port = free_port(preferred=self.port)

    def stop(self) -> None:
        """Stop at once; waiting messages are sent again by the sweep."""
        if self._process is not None:
            stop_process(self._process, gently=signal.SIGTERM, seconds=5)
            self._process = None

    @property
    def pid(self) -> int | None:
        """The id of the server's process, while it runs."""
        return self._process.pid if self._process is not None and self._process.poll() is None else None

    def has_died(self) -> bool:
        """Whether a started server has ended without being told to."""
        return self._process is not None and self._process.poll() is not None

    def is_ready(self) -> bool:
        """Whether the server answers to our password."""
        client = redis.Redis(host="127.0.0.1", port=self.port, password=self.password, socket_timeout=1)
        try:
            return bool(client.ping())
        except redis.RedisError:
            return False
        finally:
            client.close()

    def _start_once(self, deadline: float) -> bool:
        options = {
            "bind": "127.0.0.1",
            "port": str(self.port),
            "requirepass": self.password,
            "save": '""',
            "appendonly": "no",
            "maxmemory-policy": "noeviction",
            "dir": f'"{self.folder}"',
        }
        settings = self.folder / "server.conf"
        write_secret(settings, text="".join(f"{key} {value}\n" for key, value in options.items()))
        with (self.folder / "server.log").open("wb") as log:
            self._process = start_process([str(queue_program()), str(settings)], output=log)
        process = self._process
        wait_until(lambda: process.poll() is not None or self.is_ready(), seconds=deadline - time.monotonic())
        return process.poll() is None and self.is_ready()
