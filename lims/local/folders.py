"""A folder of one server: locked while used, with its secrets readable by the owner only."""

import fcntl
import json
import os
import secrets
from pathlib import Path
from typing import IO

from lims.local.errors import CannotStart


class FolderLock:
    """Holds a folder for one process. The lock goes with the process, also when it is killed."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "lock"
        self._file: IO[str] | None = None

    def try_take(self) -> bool:
        """Take the lock if nobody else has it."""
        if self._file is not None:
            return True
        self.path.parent.mkdir(parents=True, exist_ok=True)
        file = self.path.open("a+", encoding="utf-8")
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            file.close()
            return False
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        self._file = file
        return True

    def take(self) -> None:
        """Take the lock, or say who has it."""
        if not self.try_take():
            holder = self.path.read_text(encoding="utf-8").strip() or "unknown"
            raise CannotStart(
                f"{self.path.parent} is in use by process {holder}. Stop that one first, or work in another checkout."
            )

    def release(self) -> None:
        """Give the lock back."""
        if self._file is not None:
            self._file.close()
            self._file = None


def write_secret(path: Path, *, text: str) -> None:
    """Write a file that only its owner may read; it is there whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
    draft.replace(path)


def kept_secrets(path: Path, *, names: tuple[str, ...]) -> dict[str, str]:
    """Return the secrets kept in a file, made once for each name that is not there yet."""
    kept: dict[str, str] = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    missing = [name for name in names if name not in kept]
    if missing:
        kept.update({name: secrets.token_urlsafe(32) for name in missing})
        write_secret(path, text=json.dumps(kept, indent=1))
    return kept
