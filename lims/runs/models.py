"""Applications, the runs recorded of them, and the reductions computed from those. SI units."""

from __future__ import annotations

import pghistory
import pgtrigger
from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.files.models import StoredFile
from lims.rigs.models import Block, MethodVersion, Rig, RigConfiguration
from lims.runs.states import ApplicationState, ReductionState, RunState
from lims.samples.models import Sample


@tracked
class Application(Recorded):
    """One placing of sample material between two blocks: the unit of replication."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    sample = models.ForeignKey(Sample, models.PROTECT, related_name="applications")
    rig = models.ForeignKey(Rig, models.PROTECT, related_name="applications")
    method_version = models.ForeignKey(MethodVersion, models.PROTECT, related_name="applications")
    state = models.CharField(max_length=12, choices=ApplicationState.choices, default=ApplicationState.PLANNED)
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    applied_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    applied_at = models.DateTimeField(null=True, blank=True)
    hot_block = models.ForeignKey(Block, models.PROTECT, related_name="+")
    cold_block = models.ForeignKey(Block, models.PROTECT, related_name="+")
    cleaning = models.CharField(max_length=200, blank=True)
    amount = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="kg")
    pattern = models.CharField(max_length=60, blank=True)
    stop = models.FloatField("spacer or stop", null=True, blank=True, help_text="m")
    force = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="N")
    dwell = models.FloatField(null=True, blank=True, help_text="s")
    cure = models.CharField("cure profile", max_length=200, blank=True)
    ambient_temperature = models.FloatField(null=True, blank=True, help_text="K")
    coverage = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(1)], help_text="of the face, 0 to 1"
    )
    coverage_photo = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    departure = models.CharField("departure from the method", max_length=400, blank=True)
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "application"
        verbose_name_plural = "applications"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=ApplicationState.values), name="application_state"),
        )
        indexes = (models.Index(fields=["state", "rig"], name="application_state_rig"),)

    def __str__(self) -> str:
        return self.code


class BlockPermit(models.Model):
    """Quality's leave to press one sample on one block whose metal it attacks. Without it the stop is hard."""

    sample = models.ForeignKey(Sample, models.PROTECT, related_name="block_permits")
    block = models.ForeignKey(Block, models.PROTECT, related_name="permits")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    reason = models.TextField()

    class Meta:
        verbose_name = "block permit"
        verbose_name_plural = "block permits"
        constraints = (models.UniqueConstraint(fields=["sample", "block"], name="block_permit_once"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.sample_id} on {self.block_id}"

    record_kind = "sample"

    @property
    def record_code(self) -> str:
        """A permit is part of its sample's history."""
        return self.sample.code


@tracked
class Run(Recorded):
    """One recording on one rig: the file as it came. Zero runs and reference runs are runs too."""

    class Kind(models.TextChoices):
        SAMPLE = "sample", "sample run"
        ZERO = "zero", "zero of the gap sensor"
        REFERENCE = "reference", "reference run"

    code = models.CharField(max_length=12, unique=True, editable=False)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    application = models.ForeignKey(Application, models.PROTECT, null=True, blank=True, related_name="runs")
    rig = models.ForeignKey(Rig, models.PROTECT, related_name="runs")
    configuration = models.ForeignKey(RigConfiguration, models.PROTECT, null=True, blank=True, related_name="+")
    file = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="runs")
    state = models.CharField(max_length=12, choices=RunState.choices, default=RunState.RECEIVING)
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    uploaded_at = models.DateTimeField(auto_now_add=True)
    started_at = models.DateTimeField(null=True, blank=True, help_text="when recording began, as far as known")
    rows = models.BigIntegerField(null=True, blank=True)
    seconds = models.FloatField(null=True, blank=True)
    zero = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="zeroed_runs")
    zero_after = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="closed_runs")
    zeros_by_hand = models.BooleanField(default=False, help_text="zeros chosen by a person, not by their times")
    current = models.ForeignKey("Reduction", models.PROTECT, null=True, blank=True, related_name="+")
    problems = models.JSONField(default=list, blank=True, help_text="why it was refused or doubted, in words")
    reason = models.TextField(blank=True)

    class Meta:
        verbose_name = "run"
        verbose_name_plural = "runs"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=RunState.values), name="run_state"),
            models.UniqueConstraint(
                fields=["file"], name="run_file_once", condition=~Q(state="refused") & Q(file__isnull=False)
            ),
            models.CheckConstraint(
                condition=Q(kind="zero") | Q(application__isnull=False), name="run_names_its_application"
            ),
        )
        indexes = (
            models.Index(fields=["rig", "started_at"], name="run_rig_started"),
            models.Index(fields=["state"], name="run_state_index"),
        )

    def __str__(self) -> str:
        return self.code


@pghistory.track(
    pghistory.InsertEvent(),
    pghistory.UpdateEvent(),
    pghistory.DeleteEvent(),
    exclude=["result", "lease_until", "sent_at", "updated_at", "version"],
)
class Reduction(Recorded):
    """One computation of figures from one run. Its row is the truth about the job; once reduced it never changes."""

    # what was computed stands in the row itself, which never changes; the history names the act
    UNRECORDED = Recorded.UNRECORDED | {
        "result", "setup", "figures", "flags", "shared", "environment", "inputs", "lease_until", "sent_at",
    }  # fmt: skip

    code = models.CharField(max_length=12, unique=True, editable=False)
    run = models.ForeignKey(Run, models.PROTECT, related_name="reductions")
    state = models.CharField(max_length=10, choices=ReductionState.choices, default=ReductionState.QUEUED)
    attempt = models.PositiveSmallIntegerField(default=0)
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    requested_at = models.DateTimeField(auto_now_add=True)
    reason = models.CharField(max_length=400, blank=True)
    window_start = models.FloatField(null=True, blank=True, help_text="s, chosen by hand")
    window_end = models.FloatField(null=True, blank=True, help_text="s, chosen by hand")
    lease_until = models.DateTimeField(null=True, blank=True, help_text="until when a worker holds it")
    sent_at = models.DateTimeField(null=True, blank=True, help_text="when it was last handed to the queue")
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    method = models.CharField(max_length=30, blank=True)
    method_version = models.CharField(max_length=20, blank=True)
    package_version = models.CharField(max_length=40, blank=True)
    environment = models.JSONField(default=dict, blank=True, help_text="versions of the libraries that computed it")
    inputs = models.JSONField(default=dict, blank=True, help_text="role of each file -> SHA-256")
    setup = models.JSONField(default=dict, blank=True, help_text="the setup it was made with")
    calibrations = models.JSONField(default=list, blank=True, help_text="ids of the calibrations in the setup")
    figures = models.JSONField(default=dict, blank=True, help_text="key -> value, u, dof in SI")
    flags = models.JSONField(default=list, blank=True)
    shared = models.JSONField(default=dict, blank=True, help_text="contributions common to a rig: name -> u, SI")
    result = models.JSONField(default=dict, blank=True, help_text="the whole result")
    error = models.JSONField(default=dict, blank=True)

    class Meta:
        verbose_name = "reduction"
        verbose_name_plural = "reductions"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=ReductionState.values), name="reduction_state"),
            models.UniqueConstraint(
                fields=["run"], name="one_reduction_at_work", condition=Q(state__in=("queued", "reducing"))
            ),
        )
        indexes = (
            models.Index(fields=["state", "lease_until"], name="reduction_at_work", condition=~Q(state="reduced")),
        )
        triggers = (
            pgtrigger.Protect(
                name="reduced_is_fixed",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition("OLD.state = 'reduced'"),
            ),
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
        )

    def __str__(self) -> str:
        return self.code

    @property
    def blocked(self) -> bool:
        """Whether a flag keeps it out of rankings, overrides aside."""
        return any(flag["severity"] == "blocks" for flag in self.flags)


class Override(models.Model):
    """A blocking flag set aside by a named person with a reason."""

    reduction = models.ForeignKey(Reduction, models.PROTECT, related_name="overrides")
    flag = models.CharField(max_length=40)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    reason = models.TextField()

    class Meta:
        verbose_name = "override"
        verbose_name_plural = "overrides"
        constraints = (models.UniqueConstraint(fields=["reduction", "flag"], name="override_once"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.flag} set aside"

    record_kind = "run"

    @property
    def record_code(self) -> str:
        """An override is part of its run's history."""
        return self.reduction.run.code
