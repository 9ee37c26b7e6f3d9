"""The same people and records in every test, made by calling services."""

from __future__ import annotations

from lims.accounts.models import Grant, User
from lims.accounts.roles import Role

PASSWORD = "paper-lantern-42-harbour"


def person(role: Role | None, *, username: str = "") -> User:
    """Somebody with one role, or an outsider with none."""
    name = username or (role.label.replace(" ", "-") if role else "outsider")
    user = User(username=name, first_name=name.title(), is_service=role is Role.SERVICE)
    user.set_password(PASSWORD)
    user.save()
    if role is not None:
        Grant(user=user, role=role, reason="test").save()
    return user


def everybody() -> dict[str, User]:
    """One person for each role, and an outsider."""
    return {role.name: person(role) for role in Role} | {"OUTSIDER": person(None)}
