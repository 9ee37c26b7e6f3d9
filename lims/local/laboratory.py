"""A whole laboratory on one machine: database, queue, pages, worker, schedule. Data stay under `var/`."""

import hashlib
import json
import os
import socket
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
from psycopg import sql

from lims.local.errors import CannotStart
from lims.local.folders import FolderLock, kept_secrets, write_secret
from lims.local.parts import Command, Part
from lims.local.postgres import PostgresServer
from lims.local.processes import wait_until
from lims.local.roles import APPLICATION, OWNER, RoleNames, drop_database, prepare_roles
from lims.local.valkey import ValkeyServer

DATABASE = "lims"
PREFERRED_PORT = 8000
READY_SECONDS = 60.0
# A part that dies right after its start is given more and more time before the next attempt [s].
FIRST_PAUSE, LONGEST_PAUSE, SETTLED_AFTER = 0.5, 30.0, 20.0

Say = Callable[[str], None]


@dataclass
class Watched:
    """A part under watch: when it was started, and how long to wait when it dies again."""

    name: str
    part: Part
    started: float = field(default_factory=time.monotonic)
    pause: float = FIRST_PAUSE
    not_before: float | None = None

    def look(self, now: float) -> str:
        """Start the part again when it has died and its pause is over; return what to say about it."""
        if not self.part.has_died():
            return ""
        if self.not_before is None:
            self.pause = FIRST_PAUSE if now - self.started > SETTLED_AFTER else min(self.pause * 2, LONGEST_PAUSE)
            self.not_before = now + self.pause
            return f"The {self.name} has ended unexpectedly; starting it again."
        if now < self.not_before:
            return ""
        self.not_before = None
        self.started = now
        self.part.start()
        return f"The {self.name} is started again."


@dataclass
class Laboratory:
    """Starts everything in order, watches it, stops it. A server named in the environment is used, not started."""

    root: Path
    var: Path
    say: Say
    environment: dict[str, str] = field(init=False)
    owner_address: str = field(init=False, default="")
    watched: list[Watched] = field(init=False, default_factory=list)
    passing: list[Command] = field(init=False, default_factory=list)
    postgres: PostgresServer | None = field(init=False, default=None)
    valkey: ValkeyServer | None = field(init=False, default=None)
    listener: socket.socket | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.trial = self.var / "trial"
        self.lock = FolderLock(self.trial)
        self.environment = dict(os.environ)

    # --- start ---

    def start(self) -> None:
        """Start the servers, bring the tables up to date, start pages, worker and schedule."""
        self.lock.take()
        self._set_environment()
        self._start_database()
        self._start_queue()
        write_secret(self.environment_file, text=json.dumps(self.own_environment(), indent=1))
        self._migrate()
        self._start_commands()

    @property
    def environment_file(self) -> Path:
        """Where the addresses and secrets of the running laboratory are kept for commands beside it."""
        return self.trial / "environment.json"

    @property
    def half_built(self) -> Path:
        """A note that stands while the demo laboratory is being built: a build cut short cannot be gone on with."""
        return self.trial / "demo-half-built"

    @property
    def address(self) -> str:
        """The address of the pages."""
        if self.listener is None:
            return ""
        host, port = self.listener.getsockname()
        return f"http://{'127.0.0.1' if host == '0.0.0.0' else host}:{port}/"

    def own_environment(self) -> dict[str, str]:
        """Return what this launcher adds to the environment, and what commands beside it need."""
        names = ("LIMS_TRIAL", "LIMS_VAR", "SECRET_KEY", "DATABASE_URL", "BROKER_URL", "C_FORCE_ROOT")
        own = {name: self.environment[name] for name in names}
        return own | {"DATABASE_OWNER_URL": self.owner_address}

    def _set_environment(self) -> None:
        secrets = kept_secrets(self.trial / "secrets.json", names=("secret_key",))
        self.environment |= {"LIMS_TRIAL": "1", "LIMS_VAR": str(self.var), "PYTHONUNBUFFERED": "1"}
        # On the disk the files stay on: the machine's place for passing files may be small or in memory.
        incoming = self.var / "incoming"
        incoming.mkdir(parents=True, exist_ok=True)
        self.environment.setdefault("UPLOAD_TEMP_FOLDER", str(incoming))
        # Root may run the worker here: tasks are plain JSON, so nothing in the queue is ever executed.
        self.environment["C_FORCE_ROOT"] = "1"
        self.environment.setdefault("SECRET_KEY", secrets["secret_key"])

    def _start_database(self) -> None:
        if self.environment.get("DATABASE_URL"):
            self.owner_address = self.environment.get("DATABASE_OWNER_URL", self.environment["DATABASE_URL"])
            self.say("Using the database that DATABASE_URL names.")
            return
        self.postgres = server = PostgresServer(self.trial / "postgres")
        if not (server.data / "PG_VERSION").exists():
            self.say("Making a database ...")
        server.start()
        self.watched.append(Watched("database", server))
        secrets = server.secrets
        names = RoleNames(OWNER, secrets["owner"], APPLICATION, secrets["application"], DATABASE)
        if self.half_built.exists():
            self.say("The demo laboratory was not finished the last time; it is built afresh.")
            drop_database(server.admin_address(), name=DATABASE)
            self.half_built.unlink()
        prepare_roles(server.admin_address(), names=names)
        self.owner_address = server.address(user=OWNER, password=secrets["owner"], database=DATABASE)
        self.environment["DATABASE_URL"] = server.address(
            user=APPLICATION, password=secrets["application"], database=DATABASE
        )

    def _start_queue(self) -> None:
        if self.environment.get("BROKER_URL"):
            self.say("Using the queue that BROKER_URL names.")
            return
        self.valkey = server = ValkeyServer(self.trial / "valkey")
        server.start()
        self.watched.append(Watched("queue", server))
        self.environment["BROKER_URL"] = server.address

    def _migrate(self) -> None:
        """Bring the tables up to date; skipped when the database says that it has had these migrations."""
        digest = migrations_digest(self.root)
        with psycopg.connect(self.owner_address, autocommit=True) as owner:
            if noted_migrations(owner) == digest:
                return
            self.say("Bringing the tables up to date ...")
            self._run("migrate", ["manage.py", "migrate", "--verbosity", "1", "--no-input"], as_owner=True)
            note_migrations(owner, digest=digest)

    def _start_commands(self) -> None:
        self.listener = listening_socket(
            host=self.environment.get("LIMS_HOST") or "127.0.0.1",
            port=int(self.environment.get("LIMS_PORT") or PREFERRED_PORT),
        )
        descriptor = self.listener.fileno()
        cores = str(os.cpu_count() or 2)
        web = [
            "-m",
            "gunicorn",
            "lims.wsgi",
            "--bind",
            f"fd://{descriptor}",
            "--workers",
            "2",
            "--worker-class",
            "gthread",
        ]
        web += ["--threads", "4", "--timeout", "120", "--graceful-timeout", "5", "--no-control-socket"]
        worker = ["-m", "celery", "-A", "lims", "worker", "--pool", "prefork", "--concurrency", cores]
        worker += ["--without-gossip", "--without-mingle", "--without-heartbeat", "--loglevel", "INFO"]
        for command in (
            self._command("web server", web, passed_files=(descriptor,)),
            self._command("worker", worker),
            self._command("schedule", ["manage.py", "schedule"]),
        ):
            command.start()
            self.watched.append(Watched(command.name, command))

    def wait_until_ready(self) -> None:
        """Wait until the pages answer."""
        if not wait_until(self.answers, seconds=READY_SECONDS, step=0.1):
            raise CannotStart(f"The pages did not answer within {READY_SECONDS:.0f} s; see {self.trial / 'logs'}.")

    def answers(self) -> bool:
        """Whether the pages answer and reach the database."""
        self.look_after()
        try:
            with urllib.request.urlopen(f"{self.address}health/ready", timeout=5) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    # --- commands that end ---

    def _command(self, name: str, arguments: list[str], *, passed_files: tuple[int, ...] = ()) -> Command:
        log = self.trial / "logs" / f"{name.replace(' ', '-')}.log"
        return Command(name, arguments, self.environment, self.root, log, passed_files)

    def _run(self, name: str, arguments: list[str], *, as_owner: bool = False) -> None:
        command = self._command(name, arguments)
        if as_owner:
            command.environment = {**self.environment, "DATABASE_URL": self.owner_address}
        self.passing.append(command)
        command.start()
        while not command.has_died():
            self.look_after()
            time.sleep(0.1)
        code = command.exit_code()
        self.passing.remove(command)
        if code != 0:
            raise CannotStart(f"`{' '.join(arguments)}` failed with exit code {code}:\n{command.log_tail()}")

    def build_demo(self) -> None:
        """Build the demo laboratory when nobody has an account; not with LIMS_DEMO=0."""
        if self.environment.get("LIMS_DEMO") == "0":
            return
        if not (self.root / "lims" / "demo" / "management" / "commands" / "demo.py").exists():
            self.say("There is no demo laboratory in this version: the database stays as it is.")
            return
        if not self.is_empty():
            return
        self.say("Building the demo laboratory; this takes a minute or two ...")
        began = time.monotonic()
        self.half_built.touch()
        self._run("demo", ["manage.py", "demo"])
        self.half_built.unlink()
        self.say(f"The demo laboratory is built ({time.monotonic() - began:.0f} s).")

    def is_empty(self) -> bool:
        """Whether nobody has an account."""
        with psycopg.connect(self.environment["DATABASE_URL"]) as connection:
            return connection.execute("SELECT 1 FROM accounts_user LIMIT 1").fetchone() is None

    def sign_ins(self) -> str:
        """Return who may sign in to the demo laboratory and how, as the demo wrote it down."""
        path = self.var / "demo" / "sign-ins.txt"
        return path.read_text(encoding="utf-8") if path.exists() else ""

    # --- watch and stop ---

    def look_after(self) -> None:
        """Start again what has died, and say so."""
        for watched in self.watched:
            told = watched.look(time.monotonic())
            if told:
                self.say(told)

    def stop(self) -> None:
        """Stop everything: first what works, side by side, then what it works on."""
        servers = {"database", "queue"}
        self._stop_together([*self.passing, *(w.part for w in self.watched if w.name not in servers)])
        self._stop_together([w.part for w in self.watched if w.name in servers])
        self.watched.clear()
        if self.listener is not None:
            self.listener.close()
        self.environment_file.unlink(missing_ok=True)
        self.lock.release()

    @staticmethod
    def _stop_together(parts: list[Part]) -> None:
        if parts:
            with ThreadPoolExecutor(len(parts)) as together:
                list(together.map(lambda part: part.stop(), parts))


def listening_socket(*, host: str, port: int) -> socket.socket:
    """Return a listening socket: on the wished port if it is free, else on any. The pages inherit it."""
    for wished in (port, 0):
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, wished))
            listener.listen(512)
        except OSError:
            listener.close()
            continue
        return listener
    raise CannotStart(f"No port of {host} can be listened on.")


def migrations_digest(root: Path) -> str:
    """Return a digest of everything that decides what the tables look like."""
    digest = hashlib.sha256()
    for pattern in ("lims/*/migrations/*.py", "uv.lock"):
        for path in sorted(root.glob(pattern)):
            digest.update(str(path.relative_to(root)).encode() + path.read_bytes())
    return digest.hexdigest()


def noted_migrations(connection: psycopg.Connection[tuple[object, ...]]) -> str:
    """Return the digest the database carries as its comment."""
    query = "SELECT shobj_description(oid, 'pg_database') FROM pg_database WHERE datname = current_database()"
    row = connection.execute(query).fetchone()
    return str(row[0]) if row and row[0] else ""


def note_migrations(connection: psycopg.Connection[tuple[object, ...]], *, digest: str) -> None:
    """Write the digest down in the database, so that it goes where the data go."""
    name = connection.info.dbname
    connection.execute(sql.SQL("COMMENT ON DATABASE {} IS {}").format(sql.Identifier(name), sql.Literal(digest)))
