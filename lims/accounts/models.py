"""People and service accounts, and the roles they hold from a day to a day."""

from __future__ import annotations

from functools import cached_property

import pghistory
from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django_otp import user_has_device

from lims.accounts.roles import Role, Rule, rule_for
from lims.audit.models import Recorded, tracked


@pghistory.track(
    pghistory.InsertEvent(), pghistory.UpdateEvent(), pghistory.DeleteEvent(), exclude=["password", "last_login"]
)
class User(AbstractUser, Recorded):
    """A person or a service account. A user name is never given to anybody else, also after the account ended."""

    CONFIDENTIAL = frozenset({"password"})
    UNRECORDED = Recorded.UNRECORDED | {"last_login", "password"}

    is_service = models.BooleanField(default=False, help_text="A rig's or balance's computer; can never sign.")
    ends_at = models.DateTimeField(null=True, blank=True, help_text="The account ends by itself at this time.")

    class Meta:
        verbose_name = "account"
        verbose_name_plural = "accounts"

    def __str__(self) -> str:
        return self.printed_name

    @property
    def printed_name(self) -> str:
        """The name as it stands on records."""
        return self.get_full_name() or self.username

    @property
    def record_code(self) -> str:
        return self.username

    @cached_property
    def roles(self) -> frozenset[Role]:
        """The roles held now."""
        if not self.is_active or (self.ends_at and self.ends_at <= timezone.now()):
            return frozenset()
        return frozenset(Role(grant.role) for grant in self.grants.all() if grant.stands)

    @cached_property
    def has_second_factor(self) -> bool:
        """Whether a one-time code is asked for besides the password."""
        return bool(user_has_device(self, confirmed=True))

    def rule(self, act: str) -> Rule:
        """How far this person's right to `act` goes."""
        return rule_for(self.roles, act)

    def may(self, act: str) -> bool:
        """Whether this person may do `act` at all; the record itself can still say no."""
        return self.rule(act) is not Rule.NO


@tracked
class Grant(Recorded):
    """One role held by one person from a time to a time: by whom, why."""

    user = models.ForeignKey(User, models.PROTECT, related_name="grants")
    role = models.CharField(max_length=2, choices=Role.choices)
    starts_at = models.DateTimeField(default=timezone.now)
    ends_at = models.DateTimeField(null=True, blank=True)
    granted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    reason = models.CharField(max_length=400)

    class Meta:
        verbose_name = "grant"
        verbose_name_plural = "grants"
        constraints = (
            models.CheckConstraint(
                condition=Q(ends_at__isnull=True) | Q(ends_at__gte=F("starts_at")), name="grant_ends_after_start"
            ),
        )

    def __str__(self) -> str:
        return f"{self.user}: {self.get_role_display()}"

    @property
    def stands(self) -> bool:
        """Whether the grant holds now."""
        now = timezone.now()
        return self.starts_at <= now and (self.ends_at is None or now < self.ends_at)


class WrongSecret(models.Model):
    """A wrong password or one-time code given for a signature. Too many of them rest the person's signing."""

    user = models.ForeignKey(User, models.PROTECT, related_name="wrong_secrets")
    at = models.DateTimeField(auto_now_add=True)
    counts = models.BooleanField(default=True, help_text="False once the person signed rightly afterwards.")

    class Meta:
        verbose_name = "wrong secret"
        verbose_name_plural = "wrong secrets"
        indexes = (models.Index(fields=["user", "at"], name="wrong_secret_when"),)

    def __str__(self) -> str:
        return f"{self.user} {self.at:%Y-%m-%d %H:%M}"


class TokenScope(models.Model):
    """What a token may do. A token without a scope may do what its person may."""

    token = models.OneToOneField("knox.AuthToken", models.CASCADE, related_name="scope")
    scope = models.CharField(max_length=20)
    rig_code = models.CharField(max_length=20, blank=True, help_text="The only rig the token may send runs of.")

    class Meta:
        verbose_name = "scope of a token"
        verbose_name_plural = "scopes of tokens"

    def __str__(self) -> str:
        return f"{self.scope} {self.rig_code}".strip()


class SignedIn(models.Model):
    """A session of a person: where it was opened, and when. It goes when the session goes."""

    session = models.OneToOneField("sessions.Session", models.CASCADE, related_name="signed_in")
    user = models.ForeignKey(User, models.CASCADE, related_name="sessions")
    started_at = models.DateTimeField(auto_now_add=True)
    address = models.GenericIPAddressField(null=True, blank=True)
    program = models.CharField(max_length=200, blank=True)

    class Meta:
        verbose_name = "session"
        verbose_name_plural = "sessions"
        ordering = ("-started_at",)

    def __str__(self) -> str:
        return f"{self.user} since {self.started_at:%Y-%m-%d %H:%M}"
