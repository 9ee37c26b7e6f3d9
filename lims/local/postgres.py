"""A PostgreSQL server of our own: made, started, watched and stopped here.

Whether it serves is judged by asking it (`pg_isready`), never by a process id: ids are used again.
"""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

from lims.local.binaries import (
    MAJOR_VERSION,
    DatabasePrograms,
    database_programs,
    digest_of,
    reachable_programs,
    shared_folder,
)
from lims.local.errors import CannotStart
from lims.local.folders import FolderLock, kept_secrets
from lims.local.identity import Identity, database_identity
from lims.local.processes import command_line, free_port, is_alive, start_process, stop_process, wait_until

SUPERUSER = "lims_superuser"
START_SECONDS = 60.0
LOG_LIMIT = 10_000_000

COMMON_OPTIONS = {
    "max_connections": "100",
    "shared_buffers": "128MB",
    "max_wal_size": "512MB",
    "timezone": "UTC",
    "log_timezone": "UTC",
    "password_encryption": "scram-sha-256",
}
# Tests may lose their database with the machine; they need it fast.
UNSAFE_OPTIONS = {
    "fsync": "off",
    "full_page_writes": "off",
    "synchronous_commit": "off",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "autovacuum": "off",
    "jit": "off",
}


@dataclass
class PostgresServer:
    """One server on one folder, reached over 127.0.0.1 or, for tests, over a socket in a private folder."""

    folder: Path
    durable: bool = True
    by_socket: bool = False
    lock: FolderLock = field(init=False)
    port: int = field(init=False, default=5432)
    socket_folder: Path | None = field(init=False, default=None)
    _process: subprocess.Popen[bytes] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.folder = self.folder.resolve()
        self.lock = FolderLock(self.folder)
        self.identity: Identity = database_identity()
        self.programs: DatabasePrograms = reachable_programs(database_programs(), identity=self.identity)
        self.secrets = kept_secrets(self.folder / "secrets.json", names=("superuser", "owner", "application"))

    # --- where ---

    @property
    def data(self) -> Path:
        """The data folder: inside `folder`, unless the server's user cannot get there."""
        if self.identity.uid is None or self.identity.reaches(self.folder):
            return self.folder / "data"
        return shared_folder(f"lims-data-{digest_of(self.folder)}", identity=self.identity) / "data"

    @property
    def host(self) -> str:
        """The address or socket folder the server listens on."""
        return str(self.socket_folder) if self.by_socket else "127.0.0.1"

    def address(self, *, user: str, password: str, database: str) -> str:
        """Return the address of a database on this server."""
        signed_in = f"{quote(user)}:{quote(password)}"
        if self.by_socket:
            return f"postgresql://{signed_in}@/{quote(database)}?host={quote(self.host, safe='')}"
        return f"postgresql://{signed_in}@{self.host}:{self.port}/{quote(database)}"

    def admin_address(self, *, database: str = "postgres") -> str:
        """Return the address of a database for the server's superuser."""
        return self.address(user=SUPERUSER, password=self.secrets["superuser"], database=database)

    # --- start and stop ---

    def start(self) -> None:
        """Make the data folder when there is none, start, and wait until the server answers."""
        if self._process is None:
            self.lock.take()
            self.reserve()
        try:
            self._start_within(START_SECONDS)
        except CannotStart:
            self.stop()
            raise

    def _start_within(self, seconds: float) -> None:
        self._make_data()
        _end_left_over_server(self.data)
        deadline = time.monotonic() + seconds
        while not self._start_once(deadline):
            if time.monotonic() > deadline:
                raise CannotStart(f"The database did not start within {seconds:.0f} s:\n{self.log_tail()}")
            time.sleep(0.2)
            self.reserve(again=True)

    def reserve(self, *, again: bool = False) -> None:
        """Choose where to listen. A port that was served before is kept, since others were told of it."""
        if self.by_socket:
            if self.socket_folder is None:
                self.socket_folder = Path(tempfile.mkdtemp(prefix="lims-pg-"))
                self.identity.own(self.socket_folder)
        elif self._process is None or again:
            self.port = free_port(preferred=self.port if again else 0)

    def stop(self) -> None:
        """Stop: open transactions are rolled back, everything committed is on disk."""
        if self._process is not None:
            stop_process(self._process, gently=signal.SIGINT)
            self._process = None
        if self.socket_folder is not None:
            shutil.rmtree(self.socket_folder, ignore_errors=True)
            self.socket_folder = None
        self.lock.release()

    @property
    def pid(self) -> int | None:
        """The id of the server's first process, while it runs."""
        return self._process.pid if self._process is not None and self._process.poll() is None else None

    def has_died(self) -> bool:
        """Whether a started server has ended without being told to."""
        return self._process is not None and self._process.poll() is not None

    def is_ready(self) -> bool:
        """Whether the server accepts connections."""
        asked = subprocess.run(
            [self.programs.path("pg_isready"), "-q", "-h", self.host, "-p", str(self.port), "-d", "postgres"],
            capture_output=True,
            check=False,
        )
        return asked.returncode == 0

    def log_tail(self, *, lines: int = 8) -> str:
        """Return the last lines of the server's log."""
        log = self.folder / "server.log"
        return "\n".join(log.read_text(errors="replace").splitlines()[-lines:]) if log.exists() else "(no log)"

    # --- inside ---

    def _start_once(self, deadline: float) -> bool:
        """Start; return whether it serves. It ends at once when a killed server's processes are still about."""
        with (self.folder / "server.log").open("ab") as log:
            self._process = start_process(
                [self.programs.path("postgres"), *self._arguments()],
                death_signal=signal.SIGINT,
                identity=self.identity,
                output=log,
                options={"cwd": "/"},
            )
        process = self._process
        wait_until(lambda: process.poll() is not None or self.is_ready(), seconds=deadline - time.monotonic())
        return process.poll() is None and self.is_ready()

    def _arguments(self) -> list[str]:
        options = dict(COMMON_OPTIONS)
        if not self.durable:
            options |= UNSAFE_OPTIONS
        options["listen_addresses"] = "" if self.by_socket else "127.0.0.1"
        options["unix_socket_directories"] = str(self.socket_folder) if self.by_socket else ""
        options["port"] = str(self.port)
        return ["-D", str(self.data), *(part for key, value in options.items() for part in ("-c", f"{key}={value}"))]

    def _make_data(self) -> None:
        found = self.data / "PG_VERSION"
        if found.exists():
            _refuse_other_version(self.data, found=found.read_text().strip())
            return
        _shorten(self.folder / "server.log")
        draft = self.data.with_name("data.new")
        shutil.rmtree(draft, ignore_errors=True)
        draft.mkdir(parents=True, mode=0o700)
        if draft.parent != self.folder:
            self.identity.own(draft.parent)
        self.identity.own(draft)
        self._initialise(draft)
        draft.replace(self.data)

    def _initialise(self, draft: Path) -> None:
        """Make a data folder: checksums, one collation everywhere, nobody in without a password."""
        with tempfile.TemporaryDirectory(prefix="lims-pg-") as place:
            password = Path(place) / "password"
            password.write_text(self.secrets["superuser"])
            for path in (Path(place), password):
                self.identity.own(path)
            command = [self.programs.path("initdb"), "-D", str(draft), "-U", SUPERUSER, f"--pwfile={password}"]
            command += ["--auth=scram-sha-256", "--encoding=UTF8", "--data-checksums", "--no-instructions"]
            command += ["--locale-provider=builtin", "--builtin-locale=C.UTF-8", "--locale=C"]
            command += [] if self.durable else ["--no-sync"]
            made = subprocess.run(
                [*self.identity.prefix, *command],
                capture_output=True,
                text=True,
                check=False,
                cwd="/",
                **self.identity.popen_arguments(),  # type: ignore[call-overload]
            )
        if made.returncode != 0:
            raise CannotStart(f"The database's data folder {draft} could not be made:\n{made.stderr.strip()}")


def _refuse_other_version(data: Path, *, found: str) -> None:
    if found != str(MAJOR_VERSION):
        raise CannotStart(
            f"{data} was written by PostgreSQL {found}; this version of the system brings PostgreSQL {MAJOR_VERSION}. "
            "Nothing was touched. Save the data with the older version (pg_dump) and load them into a new folder, or "
            "move the folder away to start afresh."
        )


def _shorten(log: Path) -> None:
    if log.exists() and log.stat().st_size > LOG_LIMIT:
        log.replace(log.with_suffix(".old"))


def _end_left_over_server(data: Path) -> None:
    """Deal with the note a server leaves about itself: stop a live one, remove a note that names somebody else.

    A live server on our folder was left by a launcher that was killed: we hold the folder's lock. After a container's
    restart the noted id may belong to anybody; the server would then refuse to start for ever.
    """
    note = data / "postmaster.pid"
    try:
        pid = int(note.read_text().split()[0])
    except (FileNotFoundError, IndexError, ValueError):
        return
    if not is_alive(pid):
        return
    if str(data) in command_line(pid):
        os.kill(pid, signal.SIGINT)
        wait_until(lambda: not is_alive(pid), seconds=30)
    else:
        note.unlink(missing_ok=True)
