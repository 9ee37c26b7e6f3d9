"""Start, watch and stop one process."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO

from lims.local.identity import Identity

WRAPPER = Path(__file__).with_name("with_parent.py")
PROC = Path("/proc")
OURSELVES = Identity()


def start_process(
    command: Sequence[str],
    *,
    death_signal: signal.Signals = signal.SIGTERM,
    identity: Identity = OURSELVES,
    environment: Mapping[str, str] | None = None,
    output: IO[bytes] | int | None = None,
    options: Mapping[str, object] | None = None,
) -> subprocess.Popen[bytes]:
    """Start a command in a session of its own; it gets `death_signal` when this process dies.

    The identity is taken on first, since stepping down to another user would clear the wish for that signal.
    """
    user = "" if identity.uid is None else f"{identity.uid}:{identity.gid}"
    wrapped = [sys.executable, "-I", "-S", str(WRAPPER), str(int(death_signal)), str(os.getpid()), user, *command]
    process: subprocess.Popen[bytes] = subprocess.Popen(
        [*identity.prefix, *wrapped],
        env=dict(environment) if environment is not None else None,
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=subprocess.STDOUT if output is not None else None,
        start_new_session=True,
        **(options or {}),  # type: ignore[call-overload]
    )
    return process


def stop_process(process: subprocess.Popen[bytes], *, gently: signal.Signals, seconds: float = 20.0) -> None:
    """Ask a process to end; when it has not within the time, end its whole session."""
    if process.poll() is None:
        process.send_signal(gently)
    try:
        process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        kill_session(process)
    process.wait()


def kill_session(process: subprocess.Popen[bytes]) -> None:
    """End a process and all it started, at once."""
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        return


def is_alive(pid: int) -> bool:
    """Whether a process with this id runs. One that has ended but was not yet waited for does not."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return not command_line(pid).startswith("<defunct>")


def command_line(pid: int) -> str:
    """Return the command line of a process; empty when there is none, `<defunct>` for a dead one."""
    return _command_line_by_proc(pid) if (PROC / "self" / "stat").exists() else _command_line_by_ps(pid)


def _command_line_by_proc(pid: int) -> str:
    """Read the system's own table: small machines have no `ps`."""
    try:
        state = (PROC / str(pid) / "stat").read_text(errors="replace").rpartition(")")[2].split()[0]
        arguments = (PROC / str(pid) / "cmdline").read_bytes()
    except (FileNotFoundError, ProcessLookupError):
        return ""
    return "<defunct>" if state in "ZX" else arguments.replace(b"\0", b" ").decode(errors="replace").strip()


def _command_line_by_ps(pid: int) -> str:
    # -ww: never cut short, whatever width the terminal or COLUMNS says.
    command = ["ps", "-ww", "-o", "stat=,args=", "-p", str(pid)]
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    state, _, arguments = told.stdout.strip().partition(" ")
    return "<defunct>" if state.startswith("Z") else arguments.strip()


def wait_until(condition: Callable[[], bool], *, seconds: float, step: float = 0.05) -> bool:
    """Wait for a condition; return whether it came true in time."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(step)
    return condition()


def free_port(*, preferred: int = 0) -> int:
    """Return a free port of this machine: the preferred one if nobody has it, else any."""
    for port in (preferred, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise OSError("no free port on 127.0.0.1")
