"""Run a command that gets a signal as soon as its parent is gone, however the parent went.

    python with_parent.py SIGNAL-NUMBER PARENT-PID UID:GID COMMAND ARGUMENT ...

Steps down to another user first when UID:GID is not blank: stepping down later would clear the wish for the signal.
Kept free of imports of the project: it runs before each part starts. Where the system has no such signal (not Linux),
the command just runs; the next start then ends what was left over.
"""

import ctypes
import os
import sys

PR_SET_PDEATHSIG = 1


def main(arguments: list[str]) -> None:
    """Step down, ask for the signal, look whether the parent is still there, become the command."""
    death_signal, parent, user, *command = arguments
    if user:
        uid, gid = map(int, user.split(":"))
        os.setgroups([])
        os.setgid(gid)
        os.setuid(uid)
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, int(death_signal), 0, 0, 0)
        if os.getppid() != int(parent):
            raise SystemExit(1)
    os.execvp(command[0], command)


if __name__ == "__main__":
    main(sys.argv[1:])
