"""The database and the queue for tests: real ones, fast ones, started when first asked for.

Each session of tests holds one numbered folder below `var/test`, so that several sessions run side by side. A folder
keeps its server's data: the next session starts in a tenth of a second and copies a migrated database.
"""

import hashlib
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import psycopg
from psycopg import sql

from lims.local.binaries import database_programs
from lims.local.postgres import PostgresServer
from lims.local.roles import APPLICATION, OWNER, RoleNames, make_roles, prepare_roles
from lims.local.valkey import ValkeyServer

DATABASE = "test_lims"
TEMPLATE_PREFIX = "migrated_"
FAMILY_FILES = ("lims/*/migrations/*.py", "uv.lock")


@dataclass
class TestServers:
    """The servers of one session of tests."""

    __test__ = False

    root: Path
    folder: Path = field(init=False)
    postgres: PostgresServer = field(init=False)
    _valkey: ValkeyServer | None = field(init=False, default=None)
    _started: bool = field(init=False, default=False)
    _template: str = field(init=False, default="")

    def __post_init__(self) -> None:
        place = self.root / "var" / "test" / f"postgres-{database_programs().version()}"
        for number in count():
            self.folder = place / f"slot-{number}"
            self.postgres = PostgresServer(self.folder / "postgres", durable=False, by_socket=True)
            if self.postgres.lock.try_take():
                break
        self.postgres.reserve()

    def names(self) -> RoleNames:
        """Return the two roles of the test database."""
        secrets = self.postgres.secrets
        return RoleNames(OWNER, secrets["owner"], APPLICATION, secrets["application"], DATABASE)

    def owner_address(self) -> str:
        """Return the address for the role that owns the tables: tests make and empty them."""
        names = self.names()
        return self.postgres.address(user=names.owner, password=names.owner_password, database=DATABASE)

    def application_address(self) -> str:
        """Return the address for the role that pages and tasks use."""
        names = self.names()
        return self.postgres.address(user=names.application, password=names.application_password, database=DATABASE)

    def start_database(self) -> None:
        """Start the database server."""
        if not self._started:
            self.postgres.start()
            self._started = True

    def queue(self) -> ValkeyServer:
        """Return the running queue, started when first asked for."""
        if self._valkey is None:
            self._valkey = ValkeyServer(self.folder / "valkey")
            self._valkey.start()
        return self._valkey

    def stop(self) -> None:
        """Stop what was started."""
        if self._valkey is not None:
            self._valkey.stop()
        self.postgres.stop()

    # --- the migrated database ---

    def template(self) -> str:
        """Return the name of the migrated database that fits the migrations and libraries of this session's start."""
        if not self._template:
            digest = hashlib.sha256()
            for path in _family(self.root):
                digest.update(str(path.relative_to(self.root)).encode() + path.read_bytes())
            self._template = TEMPLATE_PREFIX + digest.hexdigest()[:16]
        return self._template

    def restore(self) -> bool:
        """Make the test database afresh: a copy of the migrated one, or an empty one. Return whether it is migrated."""
        template = self.template()
        with psycopg.connect(self.postgres.admin_address(), autocommit=True) as admin:
            _drop(admin, DATABASE)
            make_roles(admin, names=self.names())
            migrated = template in _databases(admin) or self._load(template, admin=admin)
            if migrated:
                _copy(admin, source=template, target=DATABASE)
        prepare_roles(self.postgres.admin_address(), names=self.names())
        return migrated

    def keep(self) -> None:
        """Keep the test database, migrated just now, for later sessions; older ones go."""
        with psycopg.connect(self.postgres.admin_address(), autocommit=True) as admin:
            _drop_templates(admin)
            _copy(admin, source=DATABASE, target=self.template())
        self._dump(self.template())

    # --- shared between sessions: migrating takes much longer than loading what another session has migrated ---

    def _dump_file(self, template: str) -> Path:
        return self.folder.parent / f"{template}.dump"

    def _dump(self, template: str) -> None:
        for old in self.folder.parent.glob(f"{TEMPLATE_PREFIX}*.dump"):
            old.unlink(missing_ok=True)
        draft = self.folder / "draft.dump"
        self._client("pg_dump", "--format=custom", f"--file={draft}", self.postgres.admin_address(database=template))
        draft.replace(self._dump_file(template))

    def _load(self, template: str, *, admin: psycopg.Connection[tuple[str]]) -> bool:
        """Load the migrated database another session has kept; return whether there was one."""
        dump = self._dump_file(template)
        if not dump.exists():
            return False
        _drop_templates(admin)
        loading = f"loading_{template}"
        _drop(admin, loading)
        admin.execute(sql.SQL("CREATE DATABASE {} OWNER {}").format(sql.Identifier(loading), sql.Identifier(OWNER)))
        address = self.postgres.admin_address(database=loading)
        self._client("pg_restore", "--exit-on-error", f"--dbname={address}", str(dump))
        admin.execute(
            sql.SQL("ALTER DATABASE {} RENAME TO {}").format(sql.Identifier(loading), sql.Identifier(template))
        )
        return True

    def _client(self, program: str, *arguments: str) -> None:
        subprocess.run([self.postgres.programs.path(program), *arguments], check=True, capture_output=True)


def _family(root: Path) -> Iterator[Path]:
    for pattern in FAMILY_FILES:
        yield from sorted(root.glob(pattern))


def _databases(admin: psycopg.Connection[tuple[str]]) -> set[str]:
    return {row[0] for row in admin.execute("SELECT datname FROM pg_database")}


def _drop(admin: psycopg.Connection[tuple[str]], name: str) -> None:
    admin.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))


def _drop_templates(admin: psycopg.Connection[tuple[str]]) -> None:
    for old in _databases(admin):
        if old.startswith(TEMPLATE_PREFIX):
            _drop(admin, old)


def _copy(admin: psycopg.Connection[tuple[str]], *, source: str, target: str) -> None:
    admin.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s AND pid <> pg_backend_pid()",
        [source],
    )
    admin.execute(
        sql.SQL("CREATE DATABASE {} OWNER {} TEMPLATE {} STRATEGY FILE_COPY").format(
            sql.Identifier(target), sql.Identifier(OWNER), sql.Identifier(source)
        )
    )
