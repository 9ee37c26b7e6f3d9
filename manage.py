#!/usr/bin/env python
"""Commands on the system: `manage.py help` lists them."""

import os
import sys

from django.core.management import execute_from_command_line

# Only the owner of the tables may change them; pages and tasks sign in to the database as somebody who cannot.
OWNER_COMMANDS = frozenset({"migrate"})


def main(arguments: list[str]) -> None:
    """Run one command."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "lims.settings")
    owner = os.environ.get("DATABASE_OWNER_URL")
    if owner and OWNER_COMMANDS.intersection(arguments[1:2]):
        os.environ["DATABASE_URL"] = owner
    execute_from_command_line(arguments)


if __name__ == "__main__":
    main(sys.argv)
