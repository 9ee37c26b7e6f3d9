"""Signatures: who, when, with what meaning, over exactly what."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.db import models

from lims.audit.models import APPEND_ONLY
from lims.files.models import StoredFile


class Meaning(models.TextChoices):
    """What a signature says."""

    PERFORMED = "performed"
    REVIEWED = "reviewed"
    APPROVED = "approved"
    RELEASED = "released"
    REJECTED = "rejected"
    WITHDRAWN = "withdrawn"


class Signature(models.Model):
    """One signature: bound by its digest to the canonical form of what was shown. Never changed, never removed."""

    signer = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="signatures")
    printed_name = models.CharField(max_length=200)
    meaning = models.CharField(max_length=10, choices=Meaning.choices)
    at = models.DateTimeField(auto_now_add=True)
    zone = models.CharField(max_length=60)
    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    content = models.JSONField(help_text="What was shown and signed.")
    digest = models.CharField(max_length=64, help_text="SHA-256 of the canonical form of the content.")

    class Meta:
        verbose_name = "signature"
        verbose_name_plural = "signatures"
        ordering = ("-id",)
        indexes = (models.Index(fields=["subject_kind", "subject_code"], name="signature_subject"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.printed_name}, {self.meaning}"


class Issued(models.Model):
    """A paper that was issued: exactly what was shown, its digest, who signed. It never changes and never vanishes.

    A later issue of the same number takes its place and names what changed; a withdrawal is a further signature.
    """

    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()

    code = models.CharField(max_length=20, unique=True, help_text="number and issue: CR-0001/2")
    number = models.CharField(max_length=12)
    issue = models.PositiveSmallIntegerField()
    title = models.CharField(max_length=200)
    content = models.TextField(help_text="canonical JSON of what was shown")
    digest = models.CharField(max_length=64, help_text="SHA-256 of the content")
    changes = models.JSONField(default=list, blank=True, help_text="what changed since the issue before, in sentences")
    reason = models.TextField(blank=True)
    author = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    signature = models.OneToOneField(Signature, models.PROTECT, related_name="+")
    supersedes = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="superseded_by")
    paper = models.ForeignKey(StoredFile, models.PROTECT, related_name="+", help_text="the PDF as it was issued")
    at = models.DateTimeField()

    class Meta:
        abstract = True
        ordering = ("-at", "-id")
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.code} {self.title}"

    @property
    def record_kind(self) -> str:
        """What people call this kind of paper."""
        return str(self._meta.verbose_name)

    @property
    def record_code(self) -> str:
        return self.code

    @property
    def state(self) -> str:
        """Where it stands: issued, superseded by a later issue, or withdrawn; never stored, for a row never changes."""
        about = Signature.objects.filter(subject_kind=self.record_kind, subject_code=self.code)
        if about.filter(meaning=Meaning.WITHDRAWN).exists():
            return "withdrawn"
        later = models.Q(("supersedes", self.pk))  # a field of each kind of paper, not of this base
        return "superseded" if type(self)._default_manager.filter(later).exists() else "issued"

    def get_state_display(self) -> str:
        """The state in words."""
        return self.state
