"""Make and end accounts, grant and end roles."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import Grant, User
from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked


@act("account.create")
def create_account(
    *,
    actor: User | None,
    username: str,
    name: str,
    password: str,
    is_service: bool = False,
    ends_at: datetime | None = None,
) -> User:
    """Make an account. A user name that was ever given is never given again."""
    if User.objects.filter(username__iexact=username).exists():
        raise Conflict(f"The user name {username} was given before; names are never given again.", code="name-taken")
    user = User(username=username, first_name=name, is_service=is_service, ends_at=ends_at)
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise Invalid("The password is too weak.", fields={"password": list(error.messages)}) from error
    user.set_password(password)
    user.save()
    return user


@act("account.end")
def end_account(user: User, *, actor: User, reason: str) -> User:
    """End an account: it stays on record, its sessions and tokens stop at the next request."""
    fresh = locked(user)
    fresh.is_active, fresh.ends_at = False, timezone.now()
    fresh.save()
    return fresh


@act("role.grant")
def grant_role(user: User, *, actor: User | None, role: Role, reason: str, ends_at: datetime | None = None) -> Grant:
    """Grant a role from now, until `ends_at` where given."""
    grant = Grant(user=user, role=role, granted_by=actor, reason=reason, ends_at=ends_at)
    grant.save()
    user.__dict__.pop("roles", None)
    return grant


@act("role.grant")
def end_role(grant: Grant, *, actor: User, reason: str) -> Grant:
    """End a role now."""
    fresh = locked(grant)
    fresh.ends_at = timezone.now()
    fresh.save()
    return fresh
