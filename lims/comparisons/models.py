"""Comparisons: a stated question, its samples, and the conditions under which results may be ranked together."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.comparisons.states import ComparisonState
from lims.rigs.models import MethodVersion
from lims.samples.models import Sample
from lims.signatures.models import Issued


@tracked
class Comparison(Recorded):
    """A question put to the measurements. A draft is live: it ranks what stands now."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    title = models.CharField(max_length=200)
    question = models.TextField(blank=True)
    method_version = models.ForeignKey(MethodVersion, models.PROTECT, related_name="comparisons")
    samples = models.ManyToManyField(Sample, related_name="comparisons")
    figure = models.CharField(max_length=40, default="temperature_rise")
    reference = models.ForeignKey(Sample, models.PROTECT, null=True, blank=True, related_name="+")
    confidence = models.FloatField(default=0.95, validators=[MinValueValidator(0.5), MaxValueValidator(0.999)])
    state = models.CharField(max_length=10, choices=ComparisonState.choices, default=ComparisonState.DRAFT)
    posed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        verbose_name = "comparison"
        verbose_name_plural = "comparisons"
        ordering = ("-id",)

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


class Notification(models.Model):
    """Who was told of what went wrong with a record: who, when, how, by whom, and what was said."""

    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()

    class Way(models.TextChoices):
        TALK = "talk", "spoken to"
        TELEPHONE = "telephone", "by telephone"
        MAIL = "mail", "by electronic mail"
        LETTER = "letter", "by letter"

    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    told = models.CharField("who was told", max_length=200)
    about = models.CharField("what it is about", max_length=200, blank=True, help_text="codes it reached them by")
    way = models.CharField("how", max_length=10, choices=Way.choices)
    told_at = models.DateTimeField("when")
    words = models.TextField("what was said")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "notification"
        verbose_name_plural = "notifications"
        ordering = ("told_at", "id")
        indexes = (models.Index(fields=["subject_kind", "subject_code"], name="notification_subject"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.told} told of {self.subject_code}"

    @property
    def record_kind(self) -> str:
        """A notification is part of its subject's history."""
        return self.subject_kind

    @property
    def record_code(self) -> str:
        return self.subject_code


class Inclusion(models.Model):
    """A sample that is ranked although something speaks against it (a hold, an exploratory batch), and who says why."""

    comparison = models.ForeignKey(Comparison, models.PROTECT, related_name="inclusions")
    sample = models.ForeignKey(Sample, models.PROTECT, related_name="+")
    reason = models.TextField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "inclusion"
        verbose_name_plural = "inclusions"
        constraints = (models.UniqueConstraint(fields=["comparison", "sample"], name="inclusion_once"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.sample_id} in {self.comparison_id}"

    record_kind = "comparison"

    @property
    def record_code(self) -> str:
        """An inclusion is part of its comparison's history."""
        return self.comparison.code


class Report(Issued):
    """The answer of a comparison as it was issued. Later data change nothing in it; they raise a notice."""

    comparison = models.ForeignKey(Comparison, models.PROTECT, related_name="reports")

    class Meta(Issued.Meta):
        verbose_name = "report"
        verbose_name_plural = "reports"
        constraints = (models.UniqueConstraint(fields=["number", "issue"], name="report_issue_once"),)
