"""Signatures: who, when, with what meaning, over exactly what."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lims.audit.models import APPEND_ONLY


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
