"""What rows that are written once and belong to a larger record share."""

from __future__ import annotations

from typing import Any, ClassVar

from django.conf import settings
from django.db import models


class Written(models.Model):
    """A row written once, by a person, that stands in the history of the record `owner` it belongs to."""

    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()
    owner: ClassVar[str] = "lot"

    class Meta:
        abstract = True

    @property
    def record_kind(self) -> str:
        """What people call this kind of row."""
        return str(self._meta.verbose_name)

    @property
    def record_code(self) -> str:
        """The code of the record it belongs to."""
        return str(self._whole.record_code)

    @property
    def history_subject(self) -> tuple[str, str]:
        """The record in whose history it stands."""
        return self._whole.record_kind, self._whole.record_code

    @property
    def _whole(self) -> Any:
        return getattr(self, self.owner)
