"""As whom the database server runs. It refuses to run as root, so root has to step down first."""

import os
import pwd
import shutil
import subprocess
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

MAPPED_ID = 1000


@dataclass(frozen=True, slots=True)
class Identity:
    """A prefix for commands, or another user's id; neither when the present user will do."""

    prefix: tuple[str, ...] = ()
    uid: int | None = None
    gid: int | None = None

    def popen_arguments(self) -> dict[str, object]:
        """Return what `subprocess` needs to run a command as this identity."""
        if self.uid is None:
            return {}
        return {"user": self.uid, "group": self.gid, "extra_groups": []}

    def own(self, path: Path) -> None:
        """Give a file or folder of ours to this identity."""
        if self.uid is not None and self.gid is not None:
            os.chown(path, self.uid, self.gid)

    def reaches(self, path: Path) -> bool:
        """Whether this identity can enter the folder or run the file."""
        test = "-x" if path.is_file() else "-d"
        asked = subprocess.run(
            [*self.prefix, "/bin/sh", "-c", f'test {test} "$0" && cd /', str(path)],
            capture_output=True,
            check=False,
            cwd="/",
            **self.popen_arguments(),  # type: ignore[call-overload]
        )
        return bool(asked.returncode == 0)


@lru_cache(maxsize=1)
def database_identity() -> Identity:
    """Return the identity for the database server: ourselves, a mapped user, or the user `nobody`."""
    if os.geteuid() != 0:
        return Identity()
    if user_namespace_works():
        return Identity(prefix=unshare_prefix())
    nobody = pwd.getpwnam("nobody")
    return Identity(uid=nobody.pw_uid, gid=nobody.pw_gid)


def unshare_prefix() -> tuple[str, ...]:
    """Return the command that makes root an ordinary user for what follows it; files stay where they are."""
    return ("unshare", "--user", f"--map-user={MAPPED_ID}", f"--map-group={MAPPED_ID}", "--")


def user_namespace_works() -> bool:
    """Whether this machine lets us map root to an ordinary user. Many containers do not."""
    if shutil.which("unshare") is None:
        return False
    asked = subprocess.run([*unshare_prefix(), "true"], capture_output=True, check=False)
    return asked.returncode == 0
