"""Processes are named by what the system tells, with and without its table."""

import os
import subprocess
import sys

import pytest

from lims.local import processes


@pytest.fixture(params=["table", "ps"])
def way(request, monkeypatch, tmp_path):
    """Both ways to ask: the system's table, and `ps` where there is none."""
    if request.param == "ps":
        monkeypatch.setattr(processes, "PROC", tmp_path)


def test_a_command_line_is_told_in_full(way, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    long = "x" * 300
    with subprocess.Popen([sys.executable, "-c", "input()", long], stdin=subprocess.PIPE) as running:
        assert processes.command_line(running.pid).endswith(long)
        assert processes.is_alive(running.pid)


def test_a_process_that_nobody_waited_for_is_not_alive(way):
    with subprocess.Popen([sys.executable, "-c", "pass"]) as ended:
        os.waitid(os.P_PID, ended.pid, os.WEXITED | os.WNOWAIT)
        assert processes.command_line(ended.pid) == "<defunct>"
        assert not processes.is_alive(ended.pid)


def test_no_process_has_no_command_line(way):
    with subprocess.Popen([sys.executable, "-c", "pass"]) as ended:
        ended.wait()
    assert processes.command_line(ended.pid) == ""
    assert not processes.is_alive(ended.pid)


def test_a_process_that_will_not_stop_is_ended():
    code = "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); print(1, flush=True); signal.pause()"
    stubborn = processes.start_process([sys.executable, "-c", code], output=subprocess.PIPE)
    assert stubborn.stdout.readline() == b"1\n"
    processes.stop_process(stubborn, gently=processes.signal.SIGTERM, seconds=0.5)
    stubborn.stdout.close()
    assert stubborn.returncode == -9


def test_a_preferred_port_in_use_is_passed_by():
    with processes.socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert processes.free_port(preferred=port) != port
