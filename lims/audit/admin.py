"""The chain and the keys of submissions, to look at. The entries themselves are read under Records."""

from typing import ClassVar

from django.contrib import admin

from lims.audit.models import Link, Submission
from lims.core.read_only import ReadOnlyAdmin


@admin.register(Link)
class LinkAdmin(ReadOnlyAdmin):
    right: ClassVar[str] = "system.read"
    list_display = ("position", "digest", "sealed_at")


@admin.register(Submission)
class SubmissionAdmin(ReadOnlyAdmin):
    right: ClassVar[str] = "system.read"
    list_display = ("key", "act", "actor", "at")
