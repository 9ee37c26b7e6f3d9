"""Read accounts, roles and tokens."""

from __future__ import annotations

from django.db.models import QuerySet
from django.utils import timezone
from knox.models import AuthToken

from lims.accounts.models import Grant, SignedIn, User
from lims.accounts.roles import COLUMNS, RIGHTS, Role
from lims.core.errors import NotFound


def people() -> QuerySet[User]:
    """Every account, by user name, with its grants."""
    return User.objects.order_by("username").prefetch_related("grants", "grants__granted_by")


def get_person_for(user: User, username: str) -> User:
    """One account; a person may always see their own, others only with the right to keep accounts."""
    found = people().filter(username=username).first()
    if found is None or (found != user and not (user.may("role.grant") or user.may("account.create"))):
        raise NotFound(f"There is no account {username}.")
    return found


def get_person_named(username: str) -> User | None:
    """A person's account in use by its user name; no computers."""
    return User.objects.filter(username__iexact=username.strip(), is_active=True, is_service=False).first()


def get_grant_for(user: User, pk: int) -> Grant:
    """One grant, for those who may grant."""
    found = Grant.objects.select_related("user").filter(pk=pk).first()
    if found is None or not user.may("role.grant"):
        raise NotFound("There is no such grant.")
    return found


def tokens_of(user: User) -> QuerySet[AuthToken]:
    """A person's tokens, newest first."""
    found: QuerySet[AuthToken] = AuthToken.objects.filter(user=user).select_related("scope").order_by("-created")
    return found


def get_token_for(user: User, digest: str) -> AuthToken:
    """One of a person's own tokens; a computer's for those who keep accounts."""
    found = AuthToken.objects.select_related("user").filter(digest=digest).first()
    if found is None or not (found.user_id == user.pk or (found.user.is_service and user.may("account.create"))):
        raise NotFound("There is no such token.")
    return found


def sessions_of(user: User) -> QuerySet[SignedIn]:
    """A person's open sessions, newest first."""
    return SignedIn.objects.filter(user=user, session__expire_date__gt=timezone.now()).select_related("session")


def matrix() -> list[tuple[str, list[str]]]:
    """The table of rights: each act with its rule for every role, in the order of `COLUMNS`."""
    return [(act, [str(rules[role]) for role in COLUMNS]) for act, rules in RIGHTS.items()]


def role_labels() -> list[str]:
    """The roles' names in the order of the table of rights."""
    return [Role(role).label for role in COLUMNS]
