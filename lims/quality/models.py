"""Verdicts of figures against limits, and decisions on lots and batches."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lims.audit.models import APPEND_ONLY
from lims.signatures.models import Signature
from lims.specifications.models import Limit


class Verdict(models.Model):
    """One value judged by one limit under one rule. It never changes; a new judgement is a new verdict."""

    class Outcome(models.TextChoices):
        PASS = "pass"
        CONDITIONAL_PASS = "conditional_pass", "conditional pass"
        CONDITIONAL_FAIL = "conditional_fail", "conditional fail"
        FAIL = "fail"
        NOT_EVALUABLE = "not_evaluable", "not evaluable"

    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    limit = models.ForeignKey(Limit, models.PROTECT, related_name="verdicts")
    outcome = models.CharField(max_length=18, choices=Outcome.choices)
    value = models.FloatField(null=True, blank=True, help_text="SI")
    u = models.FloatField(null=True, blank=True, help_text="standard, SI")
    probability = models.FloatField(null=True, blank=True, help_text="that the true value conforms")
    evidence = models.JSONField(default=list, help_text="codes of the results it rests on")
    message = models.TextField()
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "verdict"
        verbose_name_plural = "verdicts"
        ordering = ("-id",)
        indexes = (models.Index(fields=["subject_kind", "subject_code"], name="verdict_subject"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.subject_code}: {self.outcome}"

    record_kind = "verdict"
    CONFIDENTIAL: frozenset[str] = frozenset()

    @property
    def record_code(self) -> str:
        return self.subject_code

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.subject_kind, self.subject_code)


class Decision(models.Model):
    """What quality decided on a lot or a batch, signed."""

    class Outcome(models.TextChoices):
        RELEASE = "release"
        REJECT = "reject"
        WITHDRAW = "withdraw"
        CONCESSION = "concession"

    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    outcome = models.CharField(max_length=10, choices=Outcome.choices)
    reason = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    signature = models.OneToOneField(Signature, models.PROTECT, related_name="decision")
    verdicts = models.ManyToManyField(Verdict, blank=True, related_name="decisions")

    class Meta:
        verbose_name = "decision"
        verbose_name_plural = "decisions"
        ordering = ("-id",)
        indexes = (models.Index(fields=["subject_kind", "subject_code"], name="decision_subject"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.outcome} {self.subject_code}"

    record_kind = "decision"
    CONFIDENTIAL: frozenset[str] = frozenset()

    @property
    def record_code(self) -> str:
        return self.subject_code

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.subject_kind, self.subject_code)
