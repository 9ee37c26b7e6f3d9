"""Two database roles: one owns the tables and changes them, one only reads and writes rows.

    DATABASE_ADMIN_URL=... DATABASE_OWNER_URL=... DATABASE_URL=... python -m lims.local.roles

makes both roles and the database on a server, and may be run again at any time.
"""

import os
from dataclasses import dataclass
from typing import Any

import psycopg
from psycopg import sql

from lims.environment import database_settings

OWNER = "lims_owner"
APPLICATION = "lims_application"


@dataclass(frozen=True, slots=True)
class RoleNames:
    """Names and passwords of the two roles, and the database."""

    owner: str
    owner_password: str
    application: str
    application_password: str
    database: str


def prepare_roles(admin_address: str, *, names: RoleNames) -> None:
    """Make the roles and the database when missing, and set what the application's role may do."""
    with psycopg.connect(admin_address, autocommit=True) as admin:
        make_roles(admin, names=names)
        if not _exists(admin, "SELECT 1 FROM pg_database WHERE datname = %s", names.database):
            admin.execute(
                sql.SQL("CREATE DATABASE {} OWNER {}").format(
                    sql.Identifier(names.database), sql.Identifier(names.owner)
                )
            )
    with psycopg.connect(admin_address, dbname=names.database, autocommit=True) as inside:
        set_privileges(inside, names=names)


def drop_database(admin_address: str, *, name: str) -> None:
    """Remove a database with all it holds, and end whoever is connected to it."""
    with psycopg.connect(admin_address, autocommit=True) as admin:
        admin.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))


def make_roles(admin: psycopg.Connection[Any], *, names: RoleNames) -> None:
    """Make the two roles when missing, and set their passwords."""
    _make_role(admin, name=names.owner, password=names.owner_password)
    _make_role(admin, name=names.application, password=names.application_password)


def set_privileges(connection: psycopg.Connection[Any], *, names: RoleNames) -> None:
    """Let the application read and write rows of every table the owner will make, and nothing else.

    Tables made already keep what they have: a migration may have taken rights away on purpose.
    """
    owner, application = sql.Identifier(names.owner), sql.Identifier(names.application)
    database = sql.Identifier(names.database)
    for statement in (
        "REVOKE ALL ON DATABASE {database} FROM PUBLIC",
        "GRANT CONNECT, TEMPORARY ON DATABASE {database} TO {application}",
        "ALTER SCHEMA public OWNER TO {owner}",
        "GRANT USAGE ON SCHEMA public TO {application}",
        "ALTER DEFAULT PRIVILEGES FOR ROLE {owner} IN SCHEMA public "
        "GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO {application}",
        "ALTER DEFAULT PRIVILEGES FOR ROLE {owner} IN SCHEMA public GRANT USAGE, SELECT ON SEQUENCES TO {application}",
    ):
        connection.execute(sql.SQL(statement).format(owner=owner, application=application, database=database))


def _make_role(admin: psycopg.Connection[Any], *, name: str, password: str) -> None:
    verb = "ALTER" if _exists(admin, "SELECT 1 FROM pg_roles WHERE rolname = %s", name) else "CREATE"
    rights = "LOGIN NOSUPERUSER NOCREATEROLE NOCREATEDB"
    admin.execute(
        sql.SQL("{} ROLE {} {} PASSWORD {}").format(
            sql.SQL(verb), sql.Identifier(name), sql.SQL(rights), sql.Literal(password)
        )
    )


def _exists(connection: psycopg.Connection[Any], query: Any, name: str) -> bool:
    return connection.execute(query, [name]).fetchone() is not None


def names_from_addresses(*, owner_address: str, application_address: str) -> RoleNames:
    """Read the names and passwords out of the two addresses."""
    owner = database_settings(owner_address, name="DATABASE_OWNER_URL")
    application = database_settings(application_address, name="DATABASE_URL")
    return RoleNames(
        owner["USER"], owner["PASSWORD"], application["USER"], application["PASSWORD"], application["NAME"]
    )


def main() -> None:
    """Prepare the roles of the server the environment names."""
    wanted = ("DATABASE_ADMIN_URL", "DATABASE_OWNER_URL", "DATABASE_URL")
    missing = [name for name in wanted if not os.environ.get(name)]
    if missing:
        raise SystemExit(f"Cannot prepare the database roles: {', '.join(missing)} not set.")
    names = names_from_addresses(
        owner_address=os.environ["DATABASE_OWNER_URL"], application_address=os.environ["DATABASE_URL"]
    )
    prepare_roles(os.environ["DATABASE_ADMIN_URL"], names=names)
    print(f"Roles {names.owner} and {names.application} are ready on database {names.database}.")


if __name__ == "__main__":
    main()
