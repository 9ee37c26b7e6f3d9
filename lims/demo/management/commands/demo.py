"""Build the demonstration laboratory in an empty database, and write down how to sign in."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from random import Random
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from lims.accounts.models import User
from lims.audit.services import seal
from lims.demo import building, cycling, deciding, desk, limits, measuring, planning
from lims.demo.scenario import LABORATORY, PEOPLE


class Command(BaseCommand):
    help = "Build the demonstration laboratory in an empty database."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--password", default="", help="one password for everybody, for tests")

    def handle(self, *args: Any, **options: Any) -> None:
        """Build everything in the order the trade goes; the same laboratory every time but for the passwords."""
        if User.objects.exists():
            raise CommandError("The database is not empty; the demonstration laboratory is built in an empty one only.")
        lab, room = building.Laboratory(Random(20260301)), measuring.TestRoom()
        self._do("people", lambda: building.add_people(lab, fixed=options["password"]))
        _write_sign_ins(lab)
        self._do("materials", lambda: building.add_materials(lab))
        self._do("limits", lambda: limits.limit_fillers(lab))
        self._do("lots", lambda: building.add_lots(lab))
        self._do("receiving desk", lambda: desk.add_desk(lab))
        self._do("formulations", lambda: building.add_formulations(lab))
        self._do("batches", lambda: building.add_batches(lab))
        self._do("decisions on lots", lambda: deciding.decide_lots(lab))
        self._do("labels", lambda: planning.keep_label_formats(lab))
        self._do("rigs", lambda: measuring.add_rigs(lab, room))
        self._do("methods", lambda: measuring.add_methods(lab, room))
        self._do("samples", lambda: measuring.add_samples(lab, room))
        self._do("applications and runs", lambda: measuring.work(lab, room))
        self._do("power cycles", lambda: cycling.cycle(lab, room))
        self._do("reductions", measuring.wait_for_reductions)
        self._do("tear-downs", lambda: measuring.tear_all_down(lab, room))
        self._do("end of the power cycles", lambda: cycling.open_up(lab, room))
        self._do("comparisons", lambda: measuring.compare(lab, room))
        self._do("a recipe in review", lambda: planning.submit_for_review(lab))
        self._do("chain", seal)

    def _do(self, what: str, step: Callable[[], object]) -> None:
        began = time.monotonic()
        step()
        self.stdout.write(f"{what}: {time.monotonic() - began:.1f} s")


def _write_sign_ins(lab: building.Laboratory) -> None:
    """Keep the sign-ins in a file that only this user can read; `make demo` prints it."""
    folder = settings.VAR_DIR / "demo"
    folder.mkdir(parents=True, exist_ok=True)
    lines = [f"{LABORATORY}: people, their roles and passwords", ""]
    for username, (name, roles) in PEOPLE.items():
        words = ", ".join(role.label for role in roles)
        lines.append(f"  {username:<10} {lab.passwords[username]:<32} {name}, {words}")
    path = folder / "sign-ins.txt"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    os.chmod(path, 0o600)
