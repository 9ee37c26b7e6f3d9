"""Make and end accounts, grant and end roles."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.utils import timezone
from knox.models import AuthToken

from lims.accounts.acts import act
from lims.accounts.models import Grant, SignedIn, TokenScope, User
from lims.accounts.roles import Role
from lims.accounts.scopes import EVERYTHING, RIG, SCOPES
from lims.core.errors import Conflict, Invalid, NotAllowed, NotFound
from lims.core.machines import locked

LONGEST_TOKEN_DAYS = 365


@dataclass(frozen=True, slots=True)
class IssuedToken:
    """A token just made: its row, and its text, which nobody sees again."""

    row: AuthToken
    text: str
    record_kind: str = "token"

    @property
    def record_code(self) -> str:
        return str(self.row.token_key)


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
    return set_password(user, password)


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
    grant = Grant(user=user, role=role, granted_by=actor, reason=reason, starts_at=timezone.now(), ends_at=ends_at)
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


@act("token.create")
def create_token(
    *, actor: User, days: int = 90, scope: str = EVERYTHING, rig: str = "", owner: User | None = None
) -> IssuedToken:
    """Make a token for the programming interface; its text is shown once and kept only as a digest.

    `scope` narrows what it may do. Administrators make tokens for service accounts, which cannot sign in: `owner`.
    """
    _check_token(days, scope, rig)
    holder = _holder(owner or actor, actor)
    row, text = AuthToken.objects.create(user=holder, expiry=timedelta(days=days))
    TokenScope.objects.create(token=row, scope=scope, rig_code=rig)
    return IssuedToken(row=row, text=text)


def _check_token(days: int, scope: str, rig: str) -> None:
    if not 1 <= days <= LONGEST_TOKEN_DAYS:
        raise Invalid(f"A token lasts 1 to {LONGEST_TOKEN_DAYS} days.", fields={"days": ["Out of range."]})
    if scope not in SCOPES:
        raise Invalid(f"There is no scope '{scope}'.", fields={"scope": [f"One of: {', '.join(SCOPES)}."]})
    if bool(rig) != (scope == RIG):
        raise Invalid("A token for runs names its rig, and no other token does.", fields={"rig": ["See the scope."]})


def _holder(owner: User, actor: User) -> User:
    if owner != actor and not (owner.is_service and actor.may("account.create")):
        raise NotAllowed("A token is made for oneself, or by an administrator for a computer's account.")
    return owner


@act("account.end_session")
def end_session(session: SignedIn, *, actor: User) -> User:
    """End one of one's own sessions; whoever holds it is signed out at the next request."""
    if session.user_id != actor.pk:
        raise NotFound("There is no such session.")
    session.session.delete()
    return actor


@act("token.end")
def end_token(token: AuthToken, *, actor: User) -> User:
    """End one of one's own tokens, or a service account's; it stops at the next request."""
    if token.user_id != actor.pk and not (token.user.is_service and actor.may("account.create")):
        raise NotFound("There is no such token.")
    token.delete()
    return actor


@act("account.change_password")
def change_password(*, actor: User, old: str, new: str) -> User:
    """Change one's own password; the old one is asked for."""
    if not actor.check_password(old):
        raise Invalid("The old password is not right.", fields={"old": ["Not right."]})
    return set_password(actor, new)


def set_password(user: User, password: str) -> User:
    """Give `user` a checked password."""
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise Invalid("The password is too weak.", fields={"password": list(error.messages)}) from error
    user.set_password(password)
    user.save()
    return user


def note_sign_in(user: User, *, session_key: str, address: str | None, program: str) -> None:
    """Keep where and when a session was opened, so that its person can see and end it."""
    SignedIn.objects.update_or_create(
        session_id=session_key, defaults={"user": user, "address": address, "program": program[:200]}
    )
