"""Verdicts of figures against limits, decisions on lots and batches, control charts."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.signatures.models import Issued, Signature
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


@tracked
class ControlChart(Recorded):
    """What is watched: a reference sample on a rig by a method, a property of a material, a figure of a formulation."""

    class Subject(models.TextChoices):
        RIG = "rig", "a reference sample on a rig"
        MATERIAL = "material", "lots of a material"
        FORMULATION = "formulation", "batches of a formulation"

    code = models.CharField(max_length=12, unique=True, editable=False)
    subject_kind = models.CharField(max_length=12, choices=Subject.choices)
    subject_code = models.CharField(max_length=60)
    quantity = models.CharField(max_length=40)
    method_code = models.CharField(max_length=12, blank=True, help_text="of a rig's chart, and of a formulation's")
    sample_code = models.CharField(max_length=12, blank=True, help_text="the reference sample of a rig's chart")
    rules = models.CharField(max_length=20, default="zones")

    class Meta:
        verbose_name = "control chart"
        verbose_name_plural = "control charts"
        ordering = ("-id",)
        constraints = (
            models.UniqueConstraint(
                fields=["subject_kind", "subject_code", "quantity", "method_code", "sample_code"], name="chart_once"
            ),
        )

    def __str__(self) -> str:
        return f"{self.code} {self.quantity} of {self.subject_code}"


class ControlPhase(models.Model):
    """The first phase of a chart, fixed by signature: level and short-term spread, from which points. A later one
    takes its place; none is changed."""

    chart = models.ForeignKey(ControlChart, models.PROTECT, related_name="phases")
    level = models.FloatField(help_text="SI")
    sigma = models.FloatField(help_text="SI, short-term")
    points = models.JSONField(help_text="codes of the results it rests on, in order")
    reason = models.TextField()
    signature = models.OneToOneField(Signature, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "phase of a control chart"
        verbose_name_plural = "phases of control charts"
        ordering = ("-id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"phase of {self.chart.code}"


@tracked
class ControlSignal(Recorded):
    """A rule broken by a point. It stands until a person answers it; a rig is on hold meanwhile."""

    chart = models.ForeignKey(ControlChart, models.PROTECT, related_name="signals")
    point = models.CharField(max_length=40, help_text="code of the result")
    rule = models.CharField(max_length=120)
    value = models.FloatField(help_text="SI")
    answer = models.TextField(blank=True)
    answered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    answered_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        verbose_name = "signal of a control chart"
        verbose_name_plural = "signals of control charts"
        ordering = ("-id",)
        constraints = (models.UniqueConstraint(fields=["chart", "point", "rule"], name="signal_once"),)

    def __str__(self) -> str:
        return f"{self.chart.code} {self.point}: {self.rule}"

    @property
    def record_code(self) -> str:
        return self.chart.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("control chart", self.chart.code)


class Certificate(Issued):
    """A certificate of analysis for one lot or one batch, as it was issued to one customer."""

    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    customer = models.CharField(max_length=200)
    customer_contact = models.CharField(max_length=400)

    class Meta(Issued.Meta):
        verbose_name = "certificate"
        verbose_name_plural = "certificates"
        constraints = (models.UniqueConstraint(fields=["number", "issue"], name="certificate_issue_once"),)
        indexes = (models.Index(fields=["subject_kind", "subject_code"], name="certificate_subject"),)
