"""One command runs the whole laboratory: real servers, real worker, real crashes."""

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import pytest

from lims.local.identity import unshare_prefix, user_namespace_works
from lims.local.processes import PROC, command_line, is_alive, wait_until

ROOT = Path(__file__).resolve().parent.parent.parent
START_SECONDS = 120.0
SERVERS_OF_OTHERS = ("DATABASE_URL", "DATABASE_OWNER_URL", "BROKER_URL", "SECRET_KEY", "STORAGE_FOLDER")

pytestmark = pytest.mark.processes


@dataclass
class Launcher:
    """A launcher in a process of its own, with data in a folder of its own."""

    var: Path
    prefix: tuple[str, ...] = ()
    changes: dict[str, str] = field(default_factory=dict)
    output_name: str = "launcher.txt"
    process: subprocess.Popen | None = None

    def start(self) -> "Launcher":
        environment = {key: value for key, value in os.environ.items() if key not in SERVERS_OF_OTHERS}
        environment |= {"LIMS_VAR": str(self.var), "LIMS_DEMO": "0", **self.changes}
        self.var.mkdir(parents=True, exist_ok=True)
        with self.output.open("wb") as output:
            self.process = subprocess.Popen(
                [*self.prefix, sys.executable, "-m", "lims.local"],
                cwd=ROOT,
                env=environment,
                stdout=output,
                stderr=subprocess.STDOUT,
            )
        return self

    @property
    def output(self) -> Path:
        return self.var / self.output_name

    def said(self) -> str:
        return self.output.read_text()

    def wait(self) -> "Launcher":
        """Wait until it tells its address, or has ended."""
        told = wait_until(lambda: bool(self.address) or self.process.poll() is not None, seconds=START_SECONDS)
        assert told, self.said()
        assert self.address, self.said()
        return self

    @property
    def address(self) -> str:
        found = re.search(r"is at (http://\S+/)", self.said())
        return found[1] if found else ""

    def is_ready(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.address}health/ready", timeout=2) as answer:
                return answer.status == 200
        except OSError:
            return False

    def stop(self, number: int = signal.SIGTERM) -> int:
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self.process.wait(timeout=40)

    def descendants(self) -> dict[int, str]:
        """All processes below the launcher: id -> command line."""
        parents, below = all_parents(), {self.process.pid}
        for _ in range(6):
            below |= {pid for pid, parent in parents.items() if parent in below}
        return {pid: command_line(pid) for pid in below - {self.process.pid}}

    def main_process(self, word: str) -> int:
        """The first process of a part: the launcher's own child whose command line has the word."""
        own = [pid for pid, parent in all_parents().items() if parent == self.process.pid]
        return next(pid for pid in own if word in command_line(pid))


def all_parents() -> dict[int, int]:
    """Every process of this machine and its parent, from the system's table, else from `ps`."""
    if (PROC / "self" / "stat").exists():
        found = {}
        for entry in PROC.glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                found[int(entry.parent.name)] = int(entry.read_text(errors="replace").rpartition(")")[2].split()[1])
        return found
    listed = subprocess.run(["ps", "-eo", "pid=,ppid="], capture_output=True, text=True, check=True)
    return {int(pid): int(parent) for pid, parent in map(str.split, listed.stdout.splitlines())}


@pytest.fixture(scope="module")
def migrated_var(tmp_path_factory) -> Path:
    """A folder of data with migrated tables, made once and copied for each test."""
    launcher = Launcher(tmp_path_factory.mktemp("first") / "var").start()
    try:
        launcher.wait()
    finally:
        launcher.stop()
    return launcher.var


@pytest.fixture
def launch(tmp_path, migrated_var):
    """Start launchers on copies of the migrated data; whatever still runs at the end is stopped."""
    launchers = []

    def start(name: str = "var", **arguments) -> Launcher:
        var = tmp_path / name
        if not var.exists():
            shutil.copytree(migrated_var, var)
        launchers.append(Launcher(var, **arguments).start())
        return launchers[-1]

    yield start
    for launcher in launchers:
        launcher.stop()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_stops_everything_in_seconds_and_leaves_nothing(launch, number):
    launcher = launch().wait()
    below = launcher.descendants()
    assert {"postgres", "valkey", "gunicorn", "celery", "schedule"} <= {
        word for word in ("postgres", "valkey", "gunicorn", "celery", "schedule") if word in " ".join(below.values())
    }
    began = time.monotonic()
    assert launcher.stop(number) == 0
    assert time.monotonic() - began < 15
    assert not [below[pid] for pid in below if is_alive(pid)]
    assert launcher.said().rstrip().endswith("Stopped.")


def test_a_second_start_takes_seconds_and_keeps_the_data(launch):
    launcher = launch().wait()
    launcher.stop()
    began = time.monotonic()
    again = launch().wait()
    assert time.monotonic() - began < 30
    assert "Bringing the tables up to date" not in again.said()
    assert again.is_ready()


def test_two_run_at_once(launch):
    first, second = launch("one"), launch("two")
    first.wait()
    second.wait()
    assert first.address != second.address
    assert first.is_ready()
    assert second.is_ready()


def test_a_second_one_on_the_same_folder_is_refused_and_the_first_goes_on(launch):
    first = launch().wait()
    second = Launcher(first.var, output_name="second.txt").start()
    with pytest.raises(AssertionError, match=rf"in use by process {first.process.pid}\."):
        second.wait()
    assert second.process.returncode == 1
    assert first.is_ready()


def test_a_taken_port_is_passed_by(launch):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        launcher = launch(changes={"LIMS_PORT": str(port)}).wait()
        assert f":{port}/" not in launcher.address
        assert launcher.is_ready()


def test_a_free_port_is_used_as_wished(launch):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    assert launch(changes={"LIMS_PORT": str(port)}).wait().address == f"http://127.0.0.1:{port}/"


def test_whatever_is_killed_is_started_again_and_said(launch):
    launcher = launch().wait()
    for word, name in (
        ("bin/postgres", "database"),
        ("valkey-server", "queue"),
        ("gunicorn", "web server"),
        ("celery", "worker"),
        ("manage.py schedule", "schedule"),
    ):
        killed = launcher.main_process(word)
        os.kill(killed, signal.SIGKILL)
        said = f"The {name} is started again."
        assert wait_until(lambda said=said: said in launcher.said(), seconds=30), launcher.said()
        assert wait_until(launcher.is_ready, seconds=30), name
        assert launcher.main_process(word) != killed


def test_committed_rows_survive_the_kill_of_the_database(launch):
    launcher = launch().wait()
    address = re.search(r'"DATABASE_OWNER_URL": "([^"]+)"', (launcher.var / "trial" / "environment.json").read_text())[
        1
    ]
    with psycopg.connect(address, autocommit=True) as owner:
        owner.execute("CREATE TABLE kept (number int)")
        owner.execute("INSERT INTO kept SELECT generate_series(1, 1000)")
        os.kill(launcher.main_process("bin/postgres"), signal.SIGKILL)
    assert wait_until(lambda: "The database is started again." in launcher.said(), seconds=30)
    with psycopg.connect(address) as owner:
        assert owner.execute("SELECT count(*) FROM kept").fetchone() == (1000,)


@pytest.mark.skipif(sys.platform != "linux", reason="the signal on a parent's death is Linux's")
def test_nothing_is_left_when_the_launcher_itself_is_killed(launch):
    launcher = launch().wait()
    below = launcher.descendants()
    launcher.process.kill()
    launcher.process.wait()
    assert wait_until(lambda: not [pid for pid in below if is_alive(pid)], seconds=20), below
    again = launch().wait()
    assert again.is_ready()


@pytest.mark.skipif(os.geteuid() != 0 or not user_namespace_works(), reason="needs root that may map itself to a user")
def test_an_ordinary_user_can_run_it(launch):
    launcher = launch(prefix=unshare_prefix()).wait()
    assert launcher.is_ready()
    assert launcher.stop() == 0
