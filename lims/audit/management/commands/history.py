"""`manage.py history`: seal, verify or export the history, or print the head of its chain."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from lims.audit import selectors, services
from lims.audit.exporting import write_export


class Command(BaseCommand):
    """Look after the history from a terminal."""

    help = "Seal or verify the history, print the head of its chain, or export it with a program that checks it."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=("seal", "verify", "head", "export"))
        parser.add_argument("file", nargs="?", type=Path, help="where an export goes")

    def handle(self, *args: Any, what: str, file: Path | None, **options: Any) -> None:
        if what == "export" and file is None:
            raise CommandError("Name the file: manage.py history export history.zip")
        self.stdout.write(getattr(self, f"_{what}")(file))

    def _seal(self, _: Path | None) -> str:
        return f"{services.seal()} entries sealed."

    def _head(self, _: Path | None) -> str:
        head = selectors.head()
        return f"{head.position} {head.digest} {head.sealed_at.isoformat()}" if head else "The chain is empty."

    def _verify(self, _: Path | None) -> str:
        found = services.verify()
        said = f"{found.links} links stand, {found.unsealed} entries not yet sealed. {found.message}."
        if not found.holds:
            raise CommandError(said)
        return said

    def _export(self, file: Path) -> str:
        with file.open("xb") as target:
            return f"{write_export(target)} entries written to {file}."
