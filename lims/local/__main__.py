"""`python -m lims.local`: the whole laboratory on this machine, by one command.

python -m lims.local                 start everything, stay in the foreground, stop with Ctrl-C
python -m lims.local check           start, wait for ranked samples, print them, stop; the exit code tells
python -m lims.local manage ...      run a manage.py command beside a running laboratory
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import FrameType

from lims.local.check import check_ranking
from lims.local.errors import CannotStart
from lims.local.laboratory import Laboratory

ROOT = Path(__file__).resolve().parent.parent.parent
LOOK_EVERY = 0.25


class StopAsked(BaseException):
    """Somebody asked this process to end. No ordinary handler may swallow it."""


def say(text: str) -> None:
    """Print a line at once, also into a pipe."""
    print(text, flush=True)


def stop_on_signals() -> None:
    """Let Ctrl-C, a termination request and a closed terminal all end the laboratory in order."""

    def ask(number: int, frame: FrameType | None) -> None:
        for again in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(again, signal.SIG_IGN)
        raise StopAsked

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, ask)


def var_folder() -> Path:
    """Return the folder all data are under."""
    return Path(os.environ.get("LIMS_VAR") or ROOT / "var").resolve()


def serve(laboratory: Laboratory) -> int:
    """Start everything, say where it is, and look after it until told to stop."""
    laboratory.start()
    laboratory.build_demo()
    laboratory.wait_until_ready()
    say(welcome(laboratory))
    while True:
        laboratory.look_after()
        time.sleep(LOOK_EVERY)


def welcome(laboratory: Laboratory) -> str:
    """Return where the laboratory is and who may sign in."""
    sign_ins = laboratory.sign_ins().rstrip()
    return "\n".join(
        (
            "",
            f"The laboratory is at {laboratory.address}",
            *(("", sign_ins) if sign_ins else ()),
            "",
            f"Stop with Ctrl-C. Data stay in {laboratory.var}, logs in {laboratory.trial / 'logs'}.",
        )
    )


def check(laboratory: Laboratory) -> int:
    """Start everything, wait until the ranking shows samples, print it."""
    laboratory.start()
    laboratory.build_demo()
    laboratory.wait_until_ready()
    return check_ranking(laboratory, say=say)


def run(action: str) -> int:
    """Do one action on a laboratory, and stop it whatever happens."""
    laboratory = Laboratory(ROOT, var_folder(), say)
    stop_on_signals()
    try:
        return serve(laboratory) if action == "serve" else check(laboratory)
    except StopAsked:
        say("Stopping ...")
        return 0 if action == "serve" else 1
    except CannotStart as problem:
        say(f"Cannot start: {problem}")
        return 1
    finally:
        laboratory.stop()
        if action == "serve":
            say("Stopped.")


def manage(arguments: list[str]) -> int:
    """Run a command of manage.py on the running laboratory's database and queue."""
    path = var_folder() / "trial" / "environment.json"
    if not path.exists():
        say("No laboratory is running from this folder: start it with `make demo`.")
        return 1
    environment = {**os.environ, **json.loads(path.read_text(encoding="utf-8"))}
    return subprocess.run([sys.executable, "manage.py", *arguments], cwd=ROOT, env=environment, check=False).returncode


def main(arguments: list[str]) -> int:
    """Read the command line."""
    match arguments:
        case []:
            return run("serve")
        case ["check"]:
            return run("check")
        case ["manage", *rest]:
            return manage(rest)
    say(__doc__ or "")
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
