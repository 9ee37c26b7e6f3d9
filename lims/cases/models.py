"""Holds and nonconformances. They point at their subjects by kind and code, so every noun above may use them."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from lims.audit.models import Recorded, tracked
from lims.cases.states import NonconformanceState


@tracked
class Nonconformance(Recorded):
    """Something out of limits or out of order, from its opening to its closing. The first result is never dropped."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    title = models.CharField(max_length=200)
    description = models.TextField(blank=True)
    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    state = models.CharField(max_length=12, choices=NonconformanceState.choices, default=NonconformanceState.OPEN)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    cause = models.TextField(blank=True)
    action = models.TextField(blank=True)
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        verbose_name = "nonconformance"
        verbose_name_plural = "nonconformances"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=NonconformanceState.values), name="nonconformance_state"),
        )
        indexes = (models.Index(fields=["subject_kind", "subject_code"], name="nonconformance_subject"),)

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


@tracked
class Hold(Recorded):
    """A hold over a record: it stops every forward act until it is lifted; several may stand at once."""

    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    reason = models.TextField()
    nonconformance = models.ForeignKey(Nonconformance, models.PROTECT, null=True, blank=True, related_name="holds")
    placed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    placed_at = models.DateTimeField(auto_now_add=True)
    lifted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    lifted_at = models.DateTimeField(null=True, blank=True)
    lift_reason = models.TextField(blank=True)

    class Meta:
        verbose_name = "hold"
        verbose_name_plural = "holds"
        ordering = ("-placed_at",)
        indexes = (
            models.Index(fields=["subject_kind", "subject_code"], name="hold_standing", condition=Q(lifted_at=None)),
        )

    def __str__(self) -> str:
        return f"hold on {self.subject_code}"

    @property
    def record_code(self) -> str:
        return self.subject_code

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.subject_kind, self.subject_code)
