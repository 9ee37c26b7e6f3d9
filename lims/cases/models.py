"""Holds, nonconformances, plans of repeats, concessions: they point at their subjects by kind and code."""

from __future__ import annotations

import pgtrigger
from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone

from lims.audit.models import Recorded, tracked
from lims.cases.states import NonconformanceState
from lims.files.models import StoredFile
from lims.signatures.models import Signature

CLOSED_IS_FIXED = pgtrigger.Trigger(
    name="closed_is_fixed",
    when=pgtrigger.Before,
    operation=pgtrigger.Update,
    condition=pgtrigger.Condition(
        "OLD.state = 'closed' AND (to_jsonb(OLD) - ARRAY['state','updated_at','version'])"
        " IS DISTINCT FROM (to_jsonb(NEW) - ARRAY['state','updated_at','version'])"
    ),
    func="RAISE EXCEPTION 'a closed nonconformance cannot change; it is reopened instead';",
)
OPENING_IS_FIXED = pgtrigger.Trigger(
    name="opening_is_fixed",
    when=pgtrigger.Before,
    operation=pgtrigger.Update,
    condition=pgtrigger.Condition(
        "((OLD.created_at, OLD.subject_kind, OLD.subject_code, OLD.description)"
        " IS DISTINCT FROM (NEW.created_at, NEW.subject_kind, NEW.subject_code, NEW.description))"
    ),
    func="RAISE EXCEPTION 'what a nonconformance was opened for cannot change';",
)


@tracked
class Nonconformance(Recorded):
    """Something out of limits or out of order, from its opening to its closing. The first result is never dropped."""

    class CauseKind(models.TextChoices):
        MATERIAL = "material"
        WEIGHING = "weighing"
        PROCESS = "process"
        RIG = "rig"
        METHOD = "method"
        PERSON = "person", "handling"
        UNKNOWN = "unknown", "not known"

    class Disposition(models.TextChoices):
        RELEASE = "release"
        CONCESSION = "concession"
        REWORK = "rework"
        REGRADE = "regrade"
        RETURN = "return", "return to supplier"
        REJECT = "reject"
        NONE = "none", "nothing to decide"

    code = models.CharField(max_length=12, unique=True, editable=False)
    title = models.CharField(max_length=200)
    description = models.TextField(blank=True)
    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    state = models.CharField(max_length=13, choices=NonconformanceState.choices, default=NonconformanceState.OPEN)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    investigator = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    checklist = models.JSONField(default=dict, blank=True, help_text="item: what was seen, whether in order, by whom")
    finding = models.TextField(blank=True)
    evidence = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    cause_kind = models.CharField(max_length=10, choices=CauseKind.choices, blank=True)
    cause = models.TextField(blank=True)
    disposition = models.CharField(max_length=10, choices=Disposition.choices, blank=True)
    impact = models.TextField(blank=True)
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    due_on = models.DateField(null=True, blank=True)
    action = models.TextField(blank=True)
    check_on = models.DateField(null=True, blank=True)
    effectiveness = models.TextField(blank=True)
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
        triggers = (CLOSED_IS_FIXED, OPENING_IS_FIXED)

    def __str__(self) -> str:
        return f"{self.code} {self.title}"

    @property
    def overdue(self) -> bool:
        """Whether the action, or the check of its effect, is late."""
        day = {"action": self.due_on, "effectiveness": self.check_on}.get(self.state)
        return day is not None and day < timezone.localdate()


@tracked
class RepeatPlan(Recorded):
    """How often a test is repeated, by whom and how it is judged: written before, fixed once the first one is made."""

    class Kind(models.TextChoices):
        RETEST = "retest", "retest: the same sample"
        RESAMPLE = "resample", "resample: a new sample of the same batch"

    class Basis(models.TextChoices):
        EACH = "each", "each result by itself"
        MEAN = "mean", "the mean of the results"

    nonconformance = models.ForeignKey(Nonconformance, models.PROTECT, related_name="plans")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    number = models.PositiveSmallIntegerField(validators=[MinValueValidator(1), MaxValueValidator(20)])
    basis = models.CharField(max_length=5, choices=Basis.choices, default=Basis.EACH)
    runner = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    acceptance = models.TextField()
    why = models.TextField(blank=True, help_text="For a resample: why the first sample was not like its batch.")
    approved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    signature = models.OneToOneField(Signature, models.PROTECT, related_name="+")
    runs = models.JSONField(default=list, blank=True, help_text="Codes of the runs made under the plan.")

    class Meta:
        verbose_name = "plan of repeats"
        verbose_name_plural = "plans of repeats"
        ordering = ("-id",)
        triggers = (
            pgtrigger.Trigger(
                name="plan_is_fixed",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "((to_jsonb(OLD) - ARRAY['runs','updated_at','version'])"
                    " IS DISTINCT FROM (to_jsonb(NEW) - ARRAY['runs','updated_at','version']))"
                ),
                func="RAISE EXCEPTION 'an approved plan of repeats cannot change';",
            ),
        )

    def __str__(self) -> str:
        return f"{self.kind} {self.number} of {self.nonconformance.code}"

    @property
    def left(self) -> int:
        """How many repeats are still open."""
        return self.number - len(self.runs)

    @property
    def record_code(self) -> str:
        return self.nonconformance.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("nonconformance", self.nonconformance.code)


@tracked
class Concession(Recorded):
    """A lot or a batch out of limits, accepted within a scope: by two signatures, for so much, until a day."""

    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    formulations = models.JSONField(default=list, blank=True, help_text="Codes it may be used for; none: all.")
    mass = models.DecimalField(
        max_digits=15, decimal_places=9, null=True, blank=True, help_text="Most that may be used [kg]; none: all."
    )
    until = models.DateField()
    reason = models.TextField()
    first = models.OneToOneField(Signature, models.PROTECT, related_name="+")
    second = models.OneToOneField(Signature, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        verbose_name = "concession"
        verbose_name_plural = "concessions"
        ordering = ("-id",)
        indexes = (models.Index(fields=["subject_kind", "subject_code"], name="concession_subject"),)
        triggers = (
            pgtrigger.Trigger(
                name="concession_is_fixed",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.second_id IS NOT NULL OR (to_jsonb(OLD) - ARRAY['second_id','updated_at','version'])"
                    " IS DISTINCT FROM (to_jsonb(NEW) - ARRAY['second_id','updated_at','version'])"
                ),
                func="RAISE EXCEPTION 'a signed concession cannot change';",
            ),
        )

    def __str__(self) -> str:
        return f"concession for {self.subject_code}"

    @property
    def granted(self) -> bool:
        """Whether both have signed."""
        return self.second_id is not None

    @property
    def scope(self) -> str:
        """What it covers, in words."""
        of = f"for {', '.join(self.formulations)}" if self.formulations else "for any formulation"
        most = f", at most {self.mass.normalize():f} kg" if self.mass is not None else ""
        return f"{of}{most}, until {self.until}"

    @property
    def record_code(self) -> str:
        return self.subject_code

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.subject_kind, self.subject_code)


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
