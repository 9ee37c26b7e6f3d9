"""Applications, the runs recorded of them, and the reductions computed from those. SI units."""

from __future__ import annotations

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.files.models import StoredFile
from lims.rigs.models import Block, MethodVersion, Rig, RigConfiguration
from lims.runs.states import ApplicationState, ReductionState, RunState, TestPlanState
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
    hold_hours = models.FloatField(
        "time from taking to test", null=True, blank=True, help_text="h, when the material was put on"
    )
    hold_over_hours = models.FloatField("hold time exceeded by", null=True, blank=True, help_text="h")
    checklist = models.JSONField(default=list, blank=True, help_text="what was looked at before the material went on")
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


class ApplicationPhoto(models.Model):
    """A photograph of an application: the bare or covered face before pressing, the layer after tearing down."""

    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()

    class When(models.TextChoices):
        BEFORE = "before", "before pressing"
        AFTER = "after", "after tearing down"

    application = models.ForeignKey(Application, models.PROTECT, related_name="photos")
    file = models.ForeignKey(StoredFile, models.PROTECT, related_name="+")
    when = models.CharField(max_length=8, choices=When.choices)
    words = models.CharField("what it shows", max_length=200, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "application photograph"
        verbose_name_plural = "application photographs"
        ordering = ("id",)
        constraints = (models.UniqueConstraint(fields=["application", "file", "when"], name="application_photo_once"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.application_id} {self.when}"

    record_kind = "application"

    @property
    def record_code(self) -> str:
        """A photograph is part of its application's history."""
        return self.application.code


@tracked
class TestPlan(Recorded):
    """In which order samples are put on which rigs on which days: drawn by lot from a stored seed, in blocks."""

    __test__ = False  # not for pytest to collect

    code = models.CharField(max_length=12, unique=True, editable=False)
    title = models.CharField(max_length=200)
    method_version = models.ForeignKey(MethodVersion, models.PROTECT, related_name="test_plans")
    reference = models.ForeignKey(
        Sample, models.PROTECT, null=True, blank=True, related_name="+", help_text="put on once in every block"
    )
    state = models.CharField(max_length=10, choices=TestPlanState.choices, default=TestPlanState.DRAFT)
    seed = models.BigIntegerField(help_text="the same seed gives the same order again")
    replicates = models.PositiveSmallIntegerField(help_text="applications of each sample")
    days = models.PositiveSmallIntegerField()
    per_block = models.PositiveSmallIntegerField(help_text="applications on one rig within one day, reference aside")
    first_day = models.DateField(null=True, blank=True)
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    accepted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    accepted_at = models.DateTimeField(null=True, blank=True)
    reason = models.TextField(blank=True)

    class Meta:
        verbose_name = "test plan"
        verbose_name_plural = "test plans"
        ordering = ("-id",)
        constraints = (models.CheckConstraint(condition=Q(state__in=TestPlanState.values), name="test_plan_state"),)

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


class PlanLine(models.Model):
    """One application to come: its place in the order, and what became of it. The order itself never changes."""

    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()

    plan = models.ForeignKey(TestPlan, models.PROTECT, related_name="lines")
    position = models.PositiveIntegerField(help_text="place in the whole order, from 1")
    day = models.PositiveSmallIntegerField(help_text="from 1")
    block = models.PositiveIntegerField(help_text="one rig on one day, from 1")
    rig = models.ForeignKey(Rig, models.PROTECT, related_name="plan_lines")
    sample = models.ForeignKey(Sample, models.PROTECT, related_name="plan_lines")
    as_reference = models.BooleanField(default=False)
    application = models.OneToOneField(Application, models.PROTECT, null=True, blank=True, related_name="plan_line")
    skipped_reason = models.CharField(max_length=400, blank=True)
    out_of_order = models.CharField("why out of order", max_length=400, blank=True)
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    done_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        verbose_name = "plan line"
        verbose_name_plural = "plan lines"
        ordering = ("plan", "position")
        constraints = (
            models.UniqueConstraint(fields=["plan", "position"], name="plan_line_once"),
            models.CheckConstraint(
                condition=Q(application__isnull=True) | Q(skipped_reason=""), name="plan_line_done_or_skipped"
            ),
        )
        indexes = (
            models.Index(
                fields=["rig", "plan", "position"],
                name="plan_line_open",
                condition=Q(application__isnull=True, skipped_reason=""),
            ),
        )
        triggers = (
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
            pgtrigger.Protect(
                name="order_is_fixed",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.application_id IS NOT NULL OR OLD.skipped_reason <> ''"
                    " OR (OLD.plan_id, OLD.position, OLD.day, OLD.block, OLD.rig_id, OLD.sample_id)"
                    " IS DISTINCT FROM (NEW.plan_id, NEW.position, NEW.day, NEW.block, NEW.rig_id, NEW.sample_id)"
                ),
            ),
        )

    def __str__(self) -> str:
        return f"{self.plan_id} line {self.position}"

    record_kind = "test plan"

    @property
    def record_code(self) -> str:
        """A line is part of its plan's history."""
        return self.plan.code

    @property
    def open(self) -> bool:
        """Whether it still waits."""
        return self.application_id is None and not self.skipped_reason


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
        RIG = "rig", "run for the rig itself"

    code = models.CharField(max_length=12, unique=True, editable=False)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    application = models.ForeignKey(Application, models.PROTECT, null=True, blank=True, related_name="runs")
    rig = models.ForeignKey(Rig, models.PROTECT, related_name="runs")
    configuration = models.ForeignKey(RigConfiguration, models.PROTECT, null=True, blank=True, related_name="+")
    file = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="runs")
    second = models.ForeignKey(
        StoredFile, models.PROTECT, null=True, blank=True, related_name="+", help_text="recorded by a second logger"
    )
    second_offset = models.FloatField(
        null=True, blank=True, help_text="s the second file began later; empty: by the clocks of both files"
    )
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
                condition=Q(kind__in=("zero", "rig")) | Q(application__isnull=False), name="run_names_its_application"
            ),
        )
        indexes = (
            models.Index(fields=["rig", "started_at"], name="run_rig_started"),
            models.Index(fields=["state"], name="run_state_index"),
        )

    def __str__(self) -> str:
        return self.code

    @property
    def of_a_layer(self) -> bool:
        """Whether a layer of a sample was measured: not in a zero, nor in a run for the rig itself."""
        return self.kind in (self.Kind.SAMPLE, self.Kind.REFERENCE)


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


DECIDED_IS_FIXED = pgtrigger.Trigger(
    name="rig_figure_is_fixed",
    when=pgtrigger.Before,
    operation=pgtrigger.Update,
    condition=pgtrigger.Condition(
        "OLD.state <> 'proposed' OR (OLD.result, OLD.value, OLD.u, OLD.kind) IS DISTINCT FROM"
        " (NEW.result, NEW.value, NEW.u, NEW.kind)"
    ),
    func="RAISE EXCEPTION 'a figure of a rig cannot change; propose a new one';",
)


@tracked
class RigFigure(Recorded):
    """What runs made for it say of a rig: proposed with its result, then accepted from a day on, or turned down."""

    class Kind(models.TextChoices):
        LOSS = "loss", "heat loss of the heater block"
        EXPANSION = "expansion", "growth of the gap reading with warmth"
        OFFSET = "offset", "hot less cold reading on blocks of one temperature"
        COMPLIANCE = "compliance", "change of the gap reading with force"
        FLOOR = "floor", "repeatability between applications"

    class State(models.TextChoices):
        PROPOSED = "proposed"
        ACCEPTED = "accepted"
        TURNED_DOWN = "turned_down", "turned down"

    code = models.CharField(max_length=12, unique=True, editable=False)
    rig = models.ForeignKey(Rig, models.PROTECT, related_name="figures")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    state = models.CharField(max_length=11, choices=State.choices, default=State.PROPOSED)
    runs = models.ManyToManyField(Run, related_name="rig_figures")
    quantity = models.CharField(max_length=40)
    value = models.FloatField(help_text="SI")
    u = models.FloatField(help_text="standard, SI")
    dof = models.FloatField(null=True, blank=True)
    result = models.JSONField(help_text="as the command line prints it")
    reason = models.TextField()
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    decided_at = models.DateTimeField(null=True, blank=True)
    decision = models.TextField("why it was decided so", blank=True)
    valid_from = models.DateTimeField(null=True, blank=True)
    configuration = models.ForeignKey(RigConfiguration, models.PROTECT, null=True, blank=True, related_name="+")

    UNRECORDED = Recorded.UNRECORDED | {"result"}

    class Meta:
        verbose_name = "rig figure"
        verbose_name_plural = "rig figures"
        ordering = ("-id",)
        triggers = (DECIDED_IS_FIXED,)

    def __str__(self) -> str:
        return f"{self.code} {self.get_kind_display()}"


@tracked
class KeptStudy(Recorded):
    """A study that a person kept: its method, its options, the reductions it was made from, and what came out."""

    UNRECORDED = Recorded.UNRECORDED | {"result"}

    code = models.CharField(max_length=12, unique=True, editable=False)
    title = models.CharField(max_length=200)
    method = models.CharField(max_length=30, help_text="a key of the methods")
    options = models.JSONField(default=dict, blank=True, help_text="as they were typed")
    runs = models.JSONField(help_text="codes, in order")
    reductions = models.JSONField(help_text="codes, in the order of the runs")
    result = models.JSONField(help_text="as the command line prints it")
    package_version = models.CharField(max_length=40)
    kept_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        verbose_name = "study"
        verbose_name_plural = "studies"
        ordering = ("-id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.code} {self.title}"
