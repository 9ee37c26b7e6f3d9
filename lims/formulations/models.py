"""Formulations in versions, and batches made from them: weighings and steps as they were done. Masses in kg."""

from __future__ import annotations

import pgtrigger
from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.files.models import StoredFile
from lims.formulations.states import BatchState, VersionState
from lims.materials.models import Lot, Material, mass_field

FROZEN = "OLD.state IN ('approved', 'superseded', 'withdrawn')"
# the parts of a version that is no longer a draft cannot change, whoever tries
PARTS_FROZEN = """
    IF (SELECT state FROM formulations_formulationversion WHERE id = COALESCE(OLD.recipe_id, NEW.recipe_id)) <> 'draft' THEN
        RAISE EXCEPTION 'a formulation version that is no longer a draft cannot change';
    END IF;
    RETURN COALESCE(NEW, OLD);
"""  # noqa: E501
RECIPE_IS_FIXED = pgtrigger.Trigger(
    name="recipe_is_fixed",
    when=pgtrigger.Before,
    operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
    func=PARTS_FROZEN,
)


@tracked
class Formulation(Recorded):
    """A recipe under one name, in versions."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    purpose = models.TextField(blank=True)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        verbose_name = "formulation"
        verbose_name_plural = "formulations"
        ordering = ("-id",)

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


@tracked
class FormulationVersion(Recorded):
    """One version of a formulation: composition by mass fraction, process, reason. Fixed once it leaves the draft."""

    formulation = models.ForeignKey(Formulation, models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    code = models.CharField(max_length=16, unique=True, editable=False, help_text="F-012/3")
    state = models.CharField(max_length=12, choices=VersionState.choices, default=VersionState.DRAFT)
    author = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    parent = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="successors")
    reason = models.TextField(blank=True)
    total_tolerance = models.DecimalField(
        max_digits=7, decimal_places=6, default="0.000100", help_text="how far the fractions may miss 1"
    )
    approved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    approved_at = models.DateTimeField(null=True, blank=True)
    digest = models.CharField(max_length=64, blank=True, editable=False)

    class Meta:
        verbose_name = "formulation version"
        verbose_name_plural = "formulation versions"
        ordering = ("formulation", "-number")
        constraints = (
            models.UniqueConstraint(fields=["formulation", "number"], name="formulation_version_once"),
            models.CheckConstraint(condition=Q(state__in=VersionState.values), name="formulation_version_state"),
        )
        triggers = (
            pgtrigger.Trigger(
                name="approved_is_fixed",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    f"{FROZEN} AND (OLD.formulation_id, OLD.number, OLD.reason, OLD.author_id, OLD.digest, OLD.code)"
                    " IS DISTINCT FROM"
                    " (NEW.formulation_id, NEW.number, NEW.reason, NEW.author_id, NEW.digest, NEW.code)"
                ),
                func="RAISE EXCEPTION 'an approved formulation version cannot change';",
            ),
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
        )

    def __str__(self) -> str:
        return self.code


@tracked
class FormulationLine(Recorded):
    """One ingredient of a version and its mass fraction."""

    CONFIDENTIAL = frozenset({"material", "fraction"})

    # `version` is the record's counter everywhere else; here the recipe's version has the better claim to the word
    recipe = models.ForeignKey(FormulationVersion, models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")
    fraction = models.DecimalField(
        "mass fraction", max_digits=9, decimal_places=8, validators=[MinValueValidator(0), MaxValueValidator(1)]
    )
    tolerance = models.DecimalField(
        "weighing tolerance", max_digits=7, decimal_places=6, default="0.005", help_text="of the target, 0.005 is 0.5 %"
    )
    outer_tolerance = models.DecimalField(max_digits=7, decimal_places=6, default="0.02", help_text="beyond: deviation")

    class Meta:
        verbose_name = "formulation line"
        verbose_name_plural = "formulation lines"
        ordering = ("recipe", "position")
        constraints = (
            models.UniqueConstraint(
                fields=["recipe", "position"], name="formulation_line_once", deferrable=models.Deferrable.DEFERRED
            ),
        )
        triggers = (RECIPE_IS_FIXED,)

    def __str__(self) -> str:
        return f"{self.recipe_id} {self.position} {self.material}"

    @property
    def tolerance_percent(self) -> str:
        """The weighing tolerance in percent of the target."""
        return f"{(self.tolerance * 100).normalize():f}"

    @property
    def outer_percent(self) -> str:
        """The outer limit in percent of the target."""
        return f"{(self.outer_tolerance * 100).normalize():f}"

    @property
    def record_code(self) -> str:
        return self.recipe.code


@tracked
class ProcessStep(Recorded):
    """One step of a version's process: what to do, with its targets, and whether a second person must look."""

    recipe = models.ForeignKey(FormulationVersion, models.PROTECT, related_name="steps")
    position = models.PositiveSmallIntegerField()
    instruction = models.CharField(max_length=400)
    speed = models.FloatField(null=True, blank=True, help_text="1/s")
    duration = models.FloatField(null=True, blank=True, help_text="s")
    pressure = models.FloatField(null=True, blank=True, help_text="Pa, absolute")
    temperature = models.FloatField(null=True, blank=True, help_text="K")
    tolerance = models.FloatField(default=0.1, help_text="of each target, as a fraction")
    hold_point = models.BooleanField(default=False)

    class Meta:
        verbose_name = "process step"
        verbose_name_plural = "process steps"
        ordering = ("recipe", "position")
        constraints = (
            models.UniqueConstraint(
                fields=["recipe", "position"], name="process_step_once", deferrable=models.Deferrable.DEFERRED
            ),
        )
        triggers = (RECIPE_IS_FIXED,)

    def __str__(self) -> str:
        return f"{self.position}. {self.instruction}"

    @property
    def record_code(self) -> str:
        return self.recipe.code


@tracked
class TestLimit(Recorded):
    """The limits a version sets for one in-process test of its batches, SI; at least one end is given."""

    recipe = models.ForeignKey(FormulationVersion, models.PROTECT, related_name="test_limits")
    position = models.PositiveSmallIntegerField()
    test = models.CharField(max_length=40)
    lower = models.FloatField(null=True, blank=True, help_text="SI")
    upper = models.FloatField(null=True, blank=True, help_text="SI")

    class Meta:
        verbose_name = "test limit"
        verbose_name_plural = "test limits"
        ordering = ("recipe", "position")
        constraints = (
            models.UniqueConstraint(
                fields=["recipe", "position"], name="test_limit_once", deferrable=models.Deferrable.DEFERRED
            ),
        )
        triggers = (RECIPE_IS_FIXED,)

    def __str__(self) -> str:
        return f"{self.recipe_id} {self.test}"

    @property
    def record_code(self) -> str:
        return self.recipe.code


@tracked
class Batch(Recorded):
    """One making of one version, or of an exploratory recipe; it keeps its own copy of the recipe."""

    # the recipe as planned stands in the row itself, which never changes it; the history names the act
    UNRECORDED = Recorded.UNRECORDED | {"frozen"}

    code = models.CharField(max_length=12, unique=True, editable=False)
    recipe = models.ForeignKey(FormulationVersion, models.PROTECT, null=True, blank=True, related_name="batches")
    name = models.CharField(max_length=200)
    exploratory = models.BooleanField(default=False)
    state = models.CharField(max_length=12, choices=BatchState.choices, default=BatchState.PLANNED)
    target_mass = mass_field(help_text="kg")
    frozen = models.JSONField("recipe as planned", default=dict)
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    started_at = models.DateTimeField(null=True, blank=True)
    made_at = models.DateTimeField(null=True, blank=True)
    test_began_at = models.DateTimeField(null=True, blank=True, help_text="the specification in force then rules")
    yield_mass = mass_field(null=True, blank=True, help_text="kg")
    loss_mass = mass_field(null=True, blank=True, help_text="kg, lost where people know of it: samples, vessel, filter")
    yield_limit = models.DecimalField(
        max_digits=4, decimal_places=3, default="0.900", help_text="of what was weighed in; below it a reason is needed"
    )
    yield_reason = models.CharField(max_length=400, blank=True)
    deviated = models.BooleanField(default=False)
    parent = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="reworks")
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "batch"
        verbose_name_plural = "batches"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=BatchState.values), name="batch_state"),
            models.CheckConstraint(condition=Q(exploratory=True) | Q(recipe__isnull=False), name="batch_has_recipe"),
            models.CheckConstraint(
                condition=Q(exploratory=False) | ~Q(state__in=("released", "restricted")),
                name="exploratory_never_released",
            ),
        )
        indexes = (models.Index(fields=["state"], name="batch_state_index"),)

    def __str__(self) -> str:
        return self.code


@tracked
class BatchLine(Recorded):
    """One line of a batch to be weighed: how much of which material, and how near."""

    CONFIDENTIAL = frozenset({"material", "target", "tolerance", "outer_tolerance"})

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")
    target = mass_field(help_text="kg")
    tolerance = mass_field(help_text="kg, to either side")
    outer_tolerance = mass_field(help_text="kg; beyond it the batch deviates")
    skipped_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "batch line"
        verbose_name_plural = "batch lines"
        ordering = ("batch", "position")
        constraints = (models.UniqueConstraint(fields=["batch", "position"], name="batch_line_once"),)

    def __str__(self) -> str:
        return f"{self.batch_id} line {self.position}"

    @property
    def record_code(self) -> str:
        return self.batch.code


class Weighing(models.Model):
    """One weighing as it was made. A correction is a new row that names the one it replaces."""

    line = models.ForeignKey(BatchLine, models.PROTECT, related_name="weighings")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="weighings")
    container = models.CharField(max_length=60, blank=True)
    tare = mass_field(default=0, help_text="kg")
    net = mass_field(help_text="kg")
    as_entered = models.CharField(max_length=40)
    balance = models.CharField(max_length=60)
    captured = models.BooleanField(default=False, help_text="sent by the balance; else typed")
    scanned = models.BooleanField(default=False, help_text="read from the balance's display by a scanner")
    overridden_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    override_reason = models.CharField(max_length=400, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    device_time = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=400, blank=True)
    deviates = models.BooleanField(default=False)
    replaces = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")

    class Meta:
        verbose_name = "weighing"
        verbose_name_plural = "weighings"
        ordering = ("id",)
        triggers = (APPEND_ONLY,)
        constraints = (models.CheckConstraint(condition=Q(net__gt=0), name="weighing_positive"),)

    def __str__(self) -> str:
        return f"{self.lot_id} {self.net} kg"

    record_kind = "weighing"
    CONFIDENTIAL: frozenset[str] = frozenset({"lot", "net"})

    @property
    def came(self) -> str:
        """How the number came here."""
        return "sent by the balance" if self.captured else "scanned" if self.scanned else "typed"

    @property
    def record_code(self) -> str:
        return self.line.batch.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("batch", self.record_code)


class WeighingCheck(models.Model):
    """A second person's look at a typed weighing."""

    weighing = models.OneToOneField(Weighing, models.PROTECT, related_name="check_by_second")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "weighing check"
        verbose_name_plural = "weighing checks"
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"check of {self.weighing_id}"

    record_kind = "weighing check"
    CONFIDENTIAL: frozenset[str] = frozenset()

    @property
    def record_code(self) -> str:
        return self.weighing.line.batch.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("batch", self.record_code)


class StepRecord(models.Model):
    """One step as it was done, with its actual settings, or skipped with a reason."""

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="steps_done")
    position = models.PositiveSmallIntegerField()
    speed = models.FloatField(null=True, blank=True, help_text="1/s")
    duration = models.FloatField(null=True, blank=True, help_text="s")
    pressure = models.FloatField(null=True, blank=True, help_text="Pa, absolute")
    temperature = models.FloatField(null=True, blank=True, help_text="K")
    skipped = models.BooleanField(default=False)
    reason = models.CharField(max_length=400, blank=True)
    deviates = models.BooleanField(default=False)
    equipment = models.CharField(max_length=60, blank=True)
    overridden_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    override_reason = models.CharField(max_length=400, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    seen_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "step record"
        verbose_name_plural = "step records"
        ordering = ("batch", "position")
        triggers = (APPEND_ONLY,)
        constraints = (
            models.UniqueConstraint(fields=["batch", "position"], name="step_done_once"),
            models.CheckConstraint(condition=Q(skipped=False) | ~Q(reason=""), name="step_skipped_with_reason"),
            models.CheckConstraint(
                condition=Q(seen_by__isnull=True) | ~Q(seen_by=F("by")), name="step_seen_by_second_person"
            ),
        )

    def __str__(self) -> str:
        return f"{self.batch_id} step {self.position}"

    record_kind = "step record"
    CONFIDENTIAL: frozenset[str] = frozenset()

    @property
    def record_code(self) -> str:
        return self.batch.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("batch", self.record_code)


class PartOfBatch(models.Model):
    """What is written once about a batch and stands in its history."""

    CONFIDENTIAL: frozenset[str] = frozenset()

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="%(class)ss")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        abstract = True

    @property
    def record_kind(self) -> str:
        return str(self._meta.verbose_name)

    @property
    def record_code(self) -> str:
        return self.batch.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("batch", self.batch.code)


class Rescaling(PartOfBatch):
    """New targets for the rest of a batch, so that its proportions hold after too much of one line."""

    CONFIDENTIAL = frozenset({"targets"})

    weighing = models.OneToOneField(Weighing, models.PROTECT, related_name="rescaling")
    old_mass = mass_field(help_text="kg")
    new_mass = mass_field(help_text="kg")
    targets = models.JSONField(help_text="line by line: position, old and new target, kg")
    reason = models.CharField(max_length=400)

    class Meta:
        verbose_name = "rescaling"
        verbose_name_plural = "rescalings"
        ordering = ("id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.batch_id} to {self.new_mass} kg"


class SetAside(PartOfBatch):
    """An entry that lost against one made by somebody else meanwhile: kept, and counted nowhere."""

    CONFIDENTIAL = frozenset({"lot", "net"})

    line = models.ForeignKey(BatchLine, models.PROTECT, related_name="set_aside")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="+")
    net = mass_field(help_text="kg")
    as_entered = models.CharField(max_length=40)
    balance = models.CharField(max_length=60)
    against = models.ForeignKey(Weighing, models.PROTECT, related_name="set_aside")
    reason = models.CharField(max_length=400)

    class Meta:
        verbose_name = "entry set aside"
        verbose_name_plural = "entries set aside"
        ordering = ("id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.batch_id} {self.net} kg set aside"


class StepStart(PartOfBatch):
    """When a step was begun: its timer runs from here, whatever happens to the page."""

    position = models.PositiveSmallIntegerField()

    class Meta:
        verbose_name = "step start"
        verbose_name_plural = "step starts"
        ordering = ("id",)
        triggers = (APPEND_ONLY,)
        constraints = (models.UniqueConstraint(fields=["batch", "position"], name="step_begun_once"),)

    def __str__(self) -> str:
        return f"{self.batch_id} step {self.position} begun"


class BatchTest(PartOfBatch):
    """One in-process test of a batch: a value with its uncertainty, or words, against its limits."""

    position = models.PositiveSmallIntegerField(null=True, blank=True, help_text="the step it was made at")
    test = models.CharField(max_length=40)
    value = models.FloatField(null=True, blank=True, help_text="SI")
    u = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="SI, standard")
    words = models.CharField(max_length=200, blank=True)
    as_entered = models.CharField(max_length=80)
    lower = models.FloatField(null=True, blank=True, help_text="SI")
    upper = models.FloatField(null=True, blank=True, help_text="SI")
    equipment = models.CharField(max_length=60, blank=True)
    outside = models.BooleanField(default=False)
    reason = models.CharField(max_length=400, blank=True)
    replaces = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")

    class Meta:
        verbose_name = "in-process test"
        verbose_name_plural = "in-process tests"
        ordering = ("id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.batch_id} {self.test} {self.as_entered}"


class BatchPhoto(PartOfBatch):
    """A photograph of a batch, with the step it shows."""

    position = models.PositiveSmallIntegerField(null=True, blank=True, help_text="the step it shows")
    file = models.ForeignKey(StoredFile, models.PROTECT, related_name="+")
    small = models.ForeignKey(StoredFile, models.PROTECT, related_name="+")
    caption = models.CharField(max_length=200, blank=True)

    class Meta:
        verbose_name = "batch photograph"
        verbose_name_plural = "batch photographs"
        ordering = ("id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.batch_id} {self.file_id}"


@tracked
class BenchEquipment(Recorded):
    """A balance, a mixer or another piece of equipment at the bench, and until when its calibration holds."""

    class Kind(models.TextChoices):
        BALANCE = "balance"
        MIXER = "mixer"
        OTHER = "other"

    code = models.CharField(max_length=12, unique=True, help_text="as its label says: BAL-01")
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=8, choices=Kind.choices)
    maker = models.CharField(max_length=120, blank=True)
    type = models.CharField(max_length=120, blank=True)
    serial = models.CharField("serial number", max_length=80, blank=True)
    location = models.CharField(max_length=120, blank=True)
    resolution = mass_field(null=True, blank=True, help_text="kg, of a balance")
    needs_calibration = models.BooleanField(default=True)
    calibration_due = models.DateField("calibration holds until", null=True, blank=True)
    certificate = models.CharField(max_length=120, blank=True)
    in_service = models.BooleanField(default=True)
    state_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "bench equipment"
        verbose_name_plural = "bench equipment"
        ordering = ("code",)

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def state(self) -> str:
        """In service or not; whether its calibration holds is derived apart."""
        return "in_service" if self.in_service else "out_of_service"


class BenchCalibration(models.Model):
    """One calibration of a piece of bench equipment as its certificate says; the next one is a new row."""

    CONFIDENTIAL: frozenset[str] = frozenset()

    equipment = models.ForeignKey(BenchEquipment, models.PROTECT, related_name="calibrations")
    performed_on = models.DateField()
    due = models.DateField("holds until")
    certificate = models.CharField(max_length=120)
    file = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    found = models.CharField("as found and as left", max_length=400, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "bench calibration"
        verbose_name_plural = "bench calibrations"
        ordering = ("-id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.equipment_id} {self.certificate}"

    record_kind = "bench calibration"

    @property
    def record_code(self) -> str:
        return self.equipment.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.equipment.record_kind, self.equipment.code)
