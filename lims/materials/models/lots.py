"""Lots: where they came from, where they stand, how long they last, and what was measured of them."""

from __future__ import annotations

from datetime import date, timedelta

import pgtrigger
from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.files.models import StoredFile
from lims.materials.models.materials import Material, SafetySheet
from lims.materials.models.parts import Written
from lims.materials.models.suppliers import Supplier
from lims.materials.states import LotState
from lims.signatures.models import Signature


@tracked
class StoragePlace(Recorded):
    """A place where lots are kept, with its condition."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=120, unique=True, help_text="store A, shelf 3")
    condition = models.CharField(max_length=120, help_text="dry, 15 to 25 °C")
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "place"
        verbose_name_plural = "places"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name


# A longer life needs a retest that was signed: any way of lengthening it, also past the application, is refused
# without the row that says so.
LIFE_ONLY_BY_RETEST = pgtrigger.Trigger(
    name="life_only_by_retest",
    when=pgtrigger.Before,
    operation=pgtrigger.Update,
    condition=pgtrigger.Condition(
        "OLD.expires_on IS DISTINCT FROM NEW.expires_on OR OLD.retest_on IS DISTINCT FROM NEW.retest_on"
        " OR OLD.opened_on IS DISTINCT FROM NEW.opened_on OR OLD.in_use_days IS DISTINCT FROM NEW.in_use_days"
    ),
    func=(
        "IF (COALESCE(NEW.expires_on, 'infinity') > COALESCE(OLD.expires_on, 'infinity')"
        " OR COALESCE(NEW.retest_on, 'infinity') > COALESCE(OLD.retest_on, 'infinity')"
        " OR COALESCE(NEW.opened_on, 'infinity') > COALESCE(OLD.opened_on, 'infinity')"
        " OR COALESCE(NEW.in_use_days, 2147483647) > COALESCE(OLD.in_use_days, 2147483647))"
        " AND NOT EXISTS (SELECT 1 FROM materials_lotextension e"
        " JOIN materials_lotextension_results r ON r.lotextension_id = e.id"
        " WHERE e.lot_id = NEW.id AND e.expires_on = NEW.expires_on"
        " AND e.retest_on IS NOT DISTINCT FROM NEW.retest_on)"
        " THEN RAISE EXCEPTION 'the life of a lot is extended only by a signed retest'"
        " USING ERRCODE = 'check_violation'; END IF; RETURN NEW;"
    ),
)

# what a lot is made of never changes, and nothing comes from itself in any depth
NO_CYCLE = pgtrigger.Trigger(
    name="no_cycle",
    when=pgtrigger.Before,
    operation=pgtrigger.Insert,
    func=(
        "IF EXISTS (WITH RECURSIVE up(id) AS (SELECT NEW.to_lot_id UNION SELECT p.to_lot_id"
        " FROM materials_lot_parents p JOIN up ON p.from_lot_id = up.id)"
        " SELECT 1 FROM up WHERE id = NEW.from_lot_id)"
        " THEN RAISE EXCEPTION 'a lot cannot come from itself' USING ERRCODE = 'check_violation'; END IF; RETURN NEW;"
    ),
)


@tracked
class Lot(Recorded):
    """One delivery, or one treated, split or blended quantity, of a material."""

    class Origin(models.TextChoices):
        RECEIVED = "received"
        SPLIT = "split", "split off"
        BLEND = "blend", "blended"
        TREATMENT = "treatment", "treated"

    code = models.CharField(max_length=12, unique=True, editable=False)
    origin = models.CharField(max_length=10, choices=Origin.choices, default=Origin.RECEIVED)
    material = models.ForeignKey(Material, models.PROTECT, related_name="lots")
    supplier = models.ForeignKey(Supplier, models.PROTECT, null=True, blank=True, related_name="lots")
    supplier_lot = models.CharField("supplier's lot number", max_length=80, blank=True)
    serial = models.CharField("supplier's serial number", max_length=40, blank=True)
    made_on = models.DateField(null=True, blank=True, help_text="by the supplier, or by us")
    made_how = models.TextField("how it was made", blank=True)
    state = models.CharField(max_length=12, choices=LotState.choices, default=LotState.QUARANTINE)
    received_on = models.DateField()
    received_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    containers = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1)])
    storage = models.CharField("storage condition", max_length=120)
    place = models.ForeignKey(StoragePlace, models.PROTECT, null=True, blank=True, related_name="lots")
    location = models.CharField(max_length=120)
    retest_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    opened_on = models.DateField("first opened on", null=True, blank=True)
    in_use_days = models.PositiveSmallIntegerField("days in use after opening", null=True, blank=True)
    certificate = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    safety_sheet = models.ForeignKey(SafetySheet, models.PROTECT, null=True, blank=True, related_name="lots")
    quarantine_reason = models.CharField(max_length=200, blank=True)
    test_began_at = models.DateTimeField(null=True, blank=True, help_text="the specification in force then rules")
    parents = models.ManyToManyField("self", symmetrical=False, blank=True, related_name="children")
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "lot"
        verbose_name_plural = "lots"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=LotState.values), name="lot_state"),
            models.CheckConstraint(
                condition=Q(origin__in=("received", "split", "blend", "treatment")), name="lot_origin"
            ),
            models.CheckConstraint(
                condition=Q(expires_on__isnull=True) | Q(expires_on__gte=F("received_on") - timedelta(days=3650)),
                name="lot_expiry_sane",
            ),
        )
        indexes = (
            models.Index(fields=["state", "material"], name="lot_state_material"),
            models.Index(fields=["supplier_lot"], name="lot_supplier_lot"),
        )
        triggers = (LIFE_ONLY_BY_RETEST,)

    def __str__(self) -> str:
        return self.code

    @property
    def usable_until(self) -> date | None:
        """The last day on which the lot may be used: its expiry, or the end of its life once opened."""
        opened = self.opened_on + timedelta(days=self.in_use_days) if self.opened_on and self.in_use_days else None
        return min((day for day in (self.expires_on, opened) if day), default=None)

    @property
    def expired(self) -> bool:
        """Whether its last day of use has passed. Derived, so that no job has to run for it."""
        last = self.usable_until
        return last is not None and last < timezone.localdate()

    @property
    def retest_due(self) -> bool:
        """Whether its retest date has passed: not used until a retest has shown that it is still good."""
        return self.retest_on is not None and self.retest_on < timezone.localdate()

    @property
    def hazards(self) -> list[dict[str, str]]:
        """What its own safety data sheet says of dangers; the material's record where it has none."""
        return self.safety_sheet.hazards if self.safety_sheet else self.material.hazards


for _trigger in (NO_CYCLE, APPEND_ONLY):
    pgtrigger.register(_trigger)(Lot.parents.through)


class LotProperty(models.Model):
    """One value measured of a lot, by the supplier or by us; neither overwrites the other."""

    class Source(models.TextChoices):
        SUPPLIER = "supplier", "supplier's certificate"
        OWN = "own", "our own test"

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="properties")
    quantity = models.CharField(max_length=40, help_text="A key of the quantities.")
    value = models.FloatField(help_text="SI")
    u = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="standard, SI")
    dof = models.FloatField(null=True, blank=True)
    as_entered = models.CharField(max_length=80)
    method = models.CharField(max_length=120, blank=True)
    source = models.CharField(max_length=10, choices=Source.choices)
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    entered_at = models.DateTimeField(auto_now_add=True)
    replaces = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")
    reason = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "lot property"
        verbose_name_plural = "lot properties"
        ordering = ("quantity", "-id")
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.lot_id} {self.quantity} {self.as_entered}"

    record_kind = "lot property"
    CONFIDENTIAL: frozenset[str] = frozenset()

    @property
    def record_code(self) -> str:
        return self.lot.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("lot", self.lot.code)


class LotExtension(Written):
    """A longer life of a lot: until when, on which retest results, signed."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="extensions")
    before = models.DateField("last day of use before", null=True, blank=True)
    expires_on = models.DateField()
    retest_on = models.DateField(null=True, blank=True)
    results = models.ManyToManyField(LotProperty, related_name="extensions")
    reason = models.TextField()
    signature = models.OneToOneField(Signature, models.PROTECT, related_name="+")

    class Meta:
        verbose_name = "longer life"
        verbose_name_plural = "longer lives"
        ordering = ("-id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.lot_id} until {self.expires_on}"


class SizeDistribution(Written):
    """A whole size distribution of a lot as it was measured: sizes and amounts, how they are meant, by which method."""

    class Form(models.TextChoices):
        BELOW = "below", "cumulative: share below each size"
        CLASSES = "classes", "by class: amount up to each size"

    class Basis(models.TextChoices):
        VOLUME = "volume", "by volume"
        NUMBER = "number", "by number"

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="distributions")
    source = models.CharField(max_length=10, choices=LotProperty.Source.choices)
    form = models.CharField(max_length=8, choices=Form.choices)
    basis = models.CharField(max_length=8, choices=Basis.choices)
    sizes = models.JSONField(help_text="m, rising")
    amounts = models.JSONField(help_text="as entered")
    unit = models.CharField("unit of the sizes", max_length=10)
    method = models.CharField(max_length=200, help_text="Laser diffraction, ISO 13320; optical model; dispersion.")
    remarks = models.TextField(blank=True)
    file = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    replaces = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")

    class Meta:
        verbose_name = "size distribution"
        verbose_name_plural = "size distributions"
        ordering = ("-id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.lot_id} {self.method}"
