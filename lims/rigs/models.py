"""Rigs, their blocks, sensors and calibrations, their dated configurations, and the methods run on them. SI units."""

from __future__ import annotations

from datetime import timedelta
from typing import ClassVar

import pgtrigger
from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateTimeRangeField, RangeOperators
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q

from lims.audit.models import APPEND_ONLY, Recorded, fixed_after_draft, tracked
from lims.files.models import StoredFile
from lims.rigs.states import CalibrationState, MethodState, RigState


class Equipment(Recorded):
    """What is kept of every piece of equipment (ISO/IEC 17025:2017, 6.4.13 a to d)."""

    maker = models.CharField(max_length=120, blank=True)
    type = models.CharField(max_length=120, blank=True)
    serial = models.CharField("serial number", max_length=80, blank=True)
    location = models.CharField(max_length=120, blank=True)
    software = models.CharField("software and firmware", max_length=200, blank=True)
    acceptance = models.TextField("acceptance evidence", blank=True)

    class Meta:
        abstract = True


@tracked
class Block(Equipment):
    """One heater block or cooled block: the face that a sample is pressed against."""

    class Role(models.TextChoices):
        HOT = "hot", "heater block"
        COLD = "cold", "cooled block"

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=4, choices=Role.choices)
    metal = models.CharField(max_length=60)
    finish = models.CharField("surface finish", max_length=60)
    roughness = models.FloatField(null=True, blank=True, help_text="m, arithmetic mean")
    flatness = models.FloatField(null=True, blank=True, help_text="m over the face")
    area = models.FloatField(validators=[MinValueValidator(0)], help_text="m2")
    area_u = models.FloatField(default=0.0, validators=[MinValueValidator(0)])
    conductivity = models.FloatField(validators=[MinValueValidator(0)], help_text="W/(m K)")
    conductivity_u = models.FloatField(default=0.0, validators=[MinValueValidator(0)])
    uses_allowed = models.PositiveIntegerField(null=True, blank=True)
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "block"
        verbose_name_plural = "blocks"
        ordering = ("code",)

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


@tracked
class Rig(Equipment):
    """One test rig."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=60, unique=True)
    state = models.CharField(max_length=16, choices=RigState.choices, default=RigState.IN_SERVICE)
    state_reason = models.CharField(max_length=400, blank=True)
    state_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    state_at = models.DateTimeField(null=True, blank=True)
    location = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=60, default="UTC", help_text="of its computer's clock")
    remarks = models.TextField(blank=True)
    needs_authorization = models.BooleanField("only authorized persons may use it", default=False)

    class Meta:
        verbose_name = "rig"
        verbose_name_plural = "rigs"
        ordering = ("code",)
        constraints = (models.CheckConstraint(condition=Q(state__in=RigState.values), name="rig_state"),)

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class RigNote(models.Model):
    """One entry of a rig's log: maintenance, damage or a modification. Never edited."""

    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()

    class Kind(models.TextChoices):
        MAINTENANCE = "maintenance"
        DAMAGE = "damage", "damage or malfunction"
        MODIFICATION = "modification", "modification or repair"

    rig = models.ForeignKey(Rig, models.PROTECT, related_name="notes")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    text = models.TextField()
    on = models.DateField("done or seen on")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "rig note"
        verbose_name_plural = "rig notes"
        ordering = ("-on", "-id")
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.rig_id} {self.kind}"

    record_kind = "rig"

    @property
    def record_code(self) -> str:
        """A note is part of its rig's history."""
        return self.rig.code


@tracked
class RigConfiguration(Recorded):
    """What a rig was from a time on: blocks, heat flow, losses, gap sensor, channels. A later one replaces it."""

    class HeatFlow(models.TextChoices):
        ELECTRICAL = "electrical", "electrical power less loss"
        METER_BAR = "meter_bar", "gradient in the blocks"
        COOLANT = "coolant", "heat taken up by the coolant"

    rig = models.ForeignKey(Rig, models.PROTECT, related_name="configurations")
    number = models.PositiveSmallIntegerField()
    valid_from = models.DateTimeField()
    hot_block = models.ForeignKey(Block, models.PROTECT, related_name="+")
    cold_block = models.ForeignKey(Block, models.PROTECT, related_name="+")
    heat_flow = models.CharField(max_length=12, choices=HeatFlow.choices, default=HeatFlow.ELECTRICAL)
    loss_conductance = models.FloatField(default=0.0, help_text="W/K, heater block to room")
    loss_conductance_u = models.FloatField(default=0.0)
    gap_resolution = models.FloatField(default=1e-7, help_text="m")
    gap_expansion = models.FloatField(default=0.0, help_text="m/K")
    gap_expansion_u = models.FloatField(default=0.0)
    zero_max_age = models.DurationField(default=timedelta(hours=8))
    zero_max_drift = models.FloatField(default=1e-6, help_text="m")
    null_temperatures = models.BooleanField(default=False)
    coolant = models.CharField(max_length=60, default="water", help_text="or a mixture, by mass: ethylene glycol 30 %")
    coolant_share_u = models.FloatField(null=True, blank=True, help_text="standard uncertainty of the share of mass")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=400)

    class Meta:
        verbose_name = "rig configuration"
        verbose_name_plural = "rig configurations"
        ordering = ("rig", "-number")
        constraints = (
            models.UniqueConstraint(fields=["rig", "number"], name="rig_configuration_once"),
            models.UniqueConstraint(fields=["rig", "valid_from"], name="rig_configuration_from_once"),
        )
        triggers = (pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete),)

    def __str__(self) -> str:
        return f"{self.rig_id} configuration {self.number}"

    @property
    def record_code(self) -> str:
        return f"{self.rig.code}/{self.number}"

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.rig.record_kind, self.rig.code)


@tracked
class Sensor(Equipment):
    """One sensor of a rig, known by its serial number; calibrations belong to it."""

    rig = models.ForeignKey(Rig, models.PROTECT, related_name="sensors")
    serial = models.CharField("serial number", max_length=80)
    quantity = models.CharField(max_length=40, help_text="A key of the quantities a rig records.")
    description = models.CharField(max_length=200, blank=True)
    signal = models.CharField(
        "its column holds", max_length=30, blank=True, help_text="Pt100, thermocouple K; empty: the quantity itself"
    )
    tolerance_class = models.CharField(max_length=20, blank=True, help_text="its limit of error counts in the budget")

    class Meta:
        verbose_name = "sensor"
        verbose_name_plural = "sensors"
        ordering = ("rig", "quantity", "serial")
        constraints = (models.UniqueConstraint(fields=["rig", "serial"], name="sensor_once"),)

    def __str__(self) -> str:
        return f"{self.serial} ({self.quantity})"

    @property
    def record_code(self) -> str:
        return f"{self.rig.code} {self.serial}"

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.rig.record_kind, self.rig.code)


class ConfigurationChannel(models.Model):
    """One column of a rig's files under one configuration: which sensor it is and how it is read."""

    configuration = models.ForeignKey(RigConfiguration, models.PROTECT, related_name="channels")
    column = models.CharField(max_length=80)
    quantity = models.CharField(max_length=40)
    sensor = models.ForeignKey(Sensor, models.PROTECT, null=True, blank=True, related_name="+")
    unit = models.CharField(max_length=20, blank=True, help_text="overrides the header's")
    depth = models.FloatField(null=True, blank=True, help_text="m below the contact face")
    depth_u = models.FloatField(
        default=0.0, validators=[MinValueValidator(0)], help_text="m, standard uncertainty of the depth"
    )
    pair = models.CharField(max_length=8, blank=True)
    cold_junction = models.CharField(max_length=80, blank=True, help_text="the column with its thermocouple's junction")

    class Meta:
        verbose_name = "channel"
        verbose_name_plural = "channels"
        ordering = ("configuration", "id")
        constraints = (models.UniqueConstraint(fields=["configuration", "column"], name="channel_column_once"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.column}: {self.quantity}"


_DECIDED = "'period','updated_at','version','state','decided_by_id','decided_at','decision_reason'"


@tracked
class Calibration(Recorded):
    """One calibration of one sensor, in force over an interval once another person has approved it. Never edited."""

    sensor = models.ForeignKey(Sensor, models.PROTECT, related_name="calibrations")
    state = models.CharField(max_length=12, choices=CalibrationState.choices, default=CalibrationState.IN_FORCE)
    period = DateTimeRangeField()
    due_on = models.DateField()
    unit = models.CharField(max_length=20)
    gain = models.FloatField(default=1.0)
    offset = models.FloatField(default=0.0)
    u = models.FloatField(validators=[MinValueValidator(0)], help_text="standard, of the calibrated value, in the unit")
    as_found = models.CharField(max_length=200, blank=True)
    as_left = models.CharField(max_length=200, blank=True)
    limits = models.CharField("acceptance limits", max_length=200, blank=True)
    error_found = models.FloatField(
        null=True, blank=True, help_text="calibrated reading as found less reference, in unit"
    )
    error_allowed = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="in the unit")
    reference = models.CharField("reference standard", max_length=200)
    certificate_number = models.CharField(max_length=80, blank=True)
    certificate = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    decided_at = models.DateTimeField(null=True, blank=True)
    decision_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "calibration"
        verbose_name_plural = "calibrations"
        ordering = ("sensor", "-period")
        constraints = (
            ExclusionConstraint(
                name="calibration_periods_apart",
                expressions=[("sensor", RangeOperators.EQUAL), ("period", RangeOperators.OVERLAPS)],
                condition=Q(state=CalibrationState.IN_FORCE),
            ),
            models.CheckConstraint(condition=Q(state__in=CalibrationState.values), name="calibration_state"),
        )
        triggers = (
            pgtrigger.Trigger(
                name="only_closing",
                when=pgtrigger.Before,
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.state = 'turned_down' OR (OLD.state = 'in_force' AND NEW.state <> 'in_force') OR"
                    " NOT upper_inf(OLD.period) OR lower(OLD.period) IS DISTINCT FROM lower(NEW.period)"
                    f" OR (to_jsonb(OLD) - ARRAY[{_DECIDED}]) IS DISTINCT FROM (to_jsonb(NEW) - ARRAY[{_DECIDED}])"
                    " OR (OLD.state = 'in_force' AND (to_jsonb(OLD) - ARRAY['period','updated_at','version'])"
                    " IS DISTINCT FROM (to_jsonb(NEW) - ARRAY['period','updated_at','version']))"
                ),
                func="RAISE EXCEPTION 'a calibration is never edited; enter a new one';",
            ),
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
        )

    def __str__(self) -> str:
        return f"{self.sensor_id} due {self.due_on}"

    @property
    def failed_as_found(self) -> bool:
        """Whether the sensor was found farther off than is allowed."""
        if self.error_found is None or self.error_allowed is None:
            return False
        return abs(self.error_found) > self.error_allowed

    @property
    def record_code(self) -> str:
        return f"{self.sensor.rig.code} {self.sensor.serial}"

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.sensor.rig.record_kind, self.sensor.rig.code)


class CheckKind(models.TextChoices):
    """What is looked at between calibrations; each value is what was read less what it should be."""

    ISOTHERMAL = "isothermal", "isothermal zero of the temperatures"
    GAP_ZERO = "gap_zero", "zero of the gap sensor"
    FLOW = "flow", "coolant flow by weighing"
    POWER = "power", "heater power by substitution"
    REFERENCE = "reference", "reference block"


@tracked
class CheckSchedule(Recorded):
    """How often a rig is checked between calibrations, and within which limits. A later one replaces it."""

    rig = models.ForeignKey(Rig, models.PROTECT, related_name="check_schedules")
    kind = models.CharField(max_length=12, choices=CheckKind.choices)
    every = models.DurationField(null=True, blank=True, help_text="none: no longer asked for")
    limit = models.FloatField(validators=[MinValueValidator(0)], help_text="largest deviation, either way, in SI")
    valid_from = models.DateTimeField()
    set_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=400)

    class Meta:
        verbose_name = "check schedule"
        verbose_name_plural = "check schedules"
        ordering = ("rig", "kind", "-id")
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.rig_id} {self.kind}"

    @property
    def record_code(self) -> str:
        return f"{self.rig.code} {self.kind}"

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.rig.record_kind, self.rig.code)


@tracked
class RigCheck(Recorded):
    """One check done: a deviation for each sensor (or one), with its uncertainty, against the limit of that time."""

    rig = models.ForeignKey(Rig, models.PROTECT, related_name="checks")
    kind = models.CharField(max_length=12, choices=CheckKind.choices)
    done_at = models.DateTimeField()
    values = models.JSONField(help_text="by the sensor's serial number, or under the kind: deviation in SI")
    u = models.FloatField(validators=[MinValueValidator(0)], help_text="standard, of each deviation, in SI")
    limit = models.FloatField(validators=[MinValueValidator(0)], help_text="in force when it was done, in SI")
    passed = models.BooleanField()
    remarks = models.TextField(blank=True)
    evidence = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        verbose_name = "rig check"
        verbose_name_plural = "rig checks"
        ordering = ("-done_at", "-id")
        indexes = (models.Index(fields=["rig", "kind", "done_at"], name="rig_check_done"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.rig_id} {self.kind} {self.done_at:%Y-%m-%d}"

    @property
    def worst(self) -> float:
        """The deviation farthest from nothing."""
        return max((float(value) for value in self.values.values()), key=abs)

    @property
    def record_code(self) -> str:
        return f"{self.rig.code} {self.kind}"

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.rig.record_kind, self.rig.code)


@tracked
class Method(Recorded):
    """A test method under one name, in versions."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    scope = models.TextField(blank=True)

    class Meta:
        verbose_name = "method"
        verbose_name_plural = "methods"
        ordering = ("code",)

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class NeedsAuthorization(models.TextChoices):
    """Whether a method version asks that a person be authorized."""

    NOBODY = "", "everybody whose role allows it"
    METHOD = "method", "who is authorized for the method"
    VERSION = "version", "who is authorized for this version"


@tracked
class MethodVersion(Recorded):
    """What "matched" means: area, surfaces, power, force, coolant, settling, repeats. Fixed once approved."""

    method = models.ForeignKey(Method, models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    code = models.CharField(max_length=16, unique=True, editable=False, help_text="M-004/2")
    state = models.CharField(max_length=10, choices=MethodState.choices, default=MethodState.DRAFT)
    reduction_method = models.CharField(max_length=30, default="steady", help_text="A key of the reduction methods.")
    author = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    approved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    effective_from = models.DateTimeField(null=True, blank=True)
    document = models.TextField(blank=True, help_text="How it is done.")
    reason = models.CharField("what is new and why", max_length=400, blank=True)
    area = models.FloatField(help_text="m2")
    surface = models.CharField("surface class", max_length=60, help_text="the finish both blocks must have")
    heater_power = models.FloatField(null=True, blank=True, help_text="W")
    heater_power_tolerance = models.FloatField(default=0.01, help_text="as a fraction")
    force = models.FloatField(null=True, blank=True, help_text="N")
    force_tolerance = models.FloatField(default=0.02, help_text="as a fraction")
    coolant_temperature = models.FloatField(null=True, blank=True, help_text="K")
    coolant_tolerance = models.FloatField(default=0.5, help_text="K")
    min_duration = models.FloatField(default=180.0, help_text="s")
    max_slope = models.FloatField(default=0.05 / 60, help_text="K/s of the temperature rise")
    soak = models.FloatField(default=0.0, help_text="s under force before heating")
    repeats = models.PositiveSmallIntegerField(default=3, help_text="applications per sample to be ranked")
    authorization = models.CharField(
        "who may work by it",
        max_length=8,
        choices=NeedsAuthorization.choices,
        default=NeedsAuthorization.NOBODY,
        blank=True,
    )

    class Meta:
        verbose_name = "method version"
        verbose_name_plural = "method versions"
        ordering = ("method", "-number")
        constraints = (
            models.UniqueConstraint(fields=["method", "number"], name="method_version_once"),
            models.CheckConstraint(condition=Q(state__in=MethodState.values), name="method_version_state"),
        )
        triggers = (fixed_after_draft("method version"),)

    def __str__(self) -> str:
        return f"{self.code} {self.method.name}"

    @property
    def history_subject(self) -> tuple[str, str]:
        return (self.method.record_kind, self.method.code)


@tracked
class Authorization(Recorded):
    """A person may work by a method (or one version of it) or on a rig until a day, with what shows that they can."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="authorizations")
    method = models.ForeignKey(Method, models.PROTECT, null=True, blank=True, related_name="authorizations")
    version_number = models.PositiveSmallIntegerField(null=True, blank=True, help_text="empty: every version")
    rig = models.ForeignKey(Rig, models.PROTECT, null=True, blank=True, related_name="authorizations")
    evidence = models.TextField()
    evidence_file = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    valid_from = models.DateField()
    expires_on = models.DateField(help_text="the last day")
    granted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    withdrawn_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "authorization"
        verbose_name_plural = "authorizations"
        ordering = ("person", "-id")
        constraints = (
            models.CheckConstraint(
                condition=Q(method__isnull=False, rig__isnull=True) | Q(method__isnull=True, rig__isnull=False),
                name="authorization_of_method_or_rig",
            ),
        )

    def __str__(self) -> str:
        return f"{self.person_id} {self.subject} until {self.expires_on}"

    @property
    def subject(self) -> str:
        """What it is for: the code of a rig, a method or a version."""
        if self.rig is not None:
            return self.rig.code
        code = self.method.code if self.method else ""
        return f"{code}/{self.version_number}" if self.version_number else code

    @property
    def record_code(self) -> str:
        return f"{self.subject} {self.person.username}"

    @property
    def history_subject(self) -> tuple[str, str]:
        if self.rig is not None:
            return (self.rig.record_kind, self.rig.code)
        return ("method", self.method.code if self.method else "")
