"""Files as they came: stored once, byte for byte, under their SHA-256."""

from __future__ import annotations

import base64

import pgtrigger
from django.conf import settings
from django.db import models


class StoredFile(models.Model):
    """One file's bytes. It never changes; the storage holds it under its digest, never under a name from outside."""

    sha256 = models.CharField(max_length=64, unique=True)
    size = models.BigIntegerField(help_text="bytes")
    name = models.CharField(max_length=255, help_text="The name it came with; shown, never used as a path.")
    media_type = models.CharField(max_length=120, default="application/octet-stream")
    stored_at = models.DateTimeField(auto_now_add=True)
    stored_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        verbose_name = "file"
        verbose_name_plural = "files"
        triggers = (pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete),)

    def __str__(self) -> str:
        return self.name

    @property
    def path(self) -> str:
        """Where the storage keeps it."""
        return f"{self.sha256[:2]}/{self.sha256}"

    @property
    def repr_digest(self) -> str:
        """The digest as an HTTP field (RFC 9530)."""
        return f"sha-256=:{base64.b64encode(bytes.fromhex(self.sha256)).decode()}:"
