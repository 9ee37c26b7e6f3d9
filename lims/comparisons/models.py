"""Comparisons: a stated question, its samples, and the conditions under which results may be ranked together."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.comparisons.states import ComparisonState
from lims.rigs.models import MethodVersion
from lims.samples.models import Sample


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
