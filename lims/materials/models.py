"""Materials, suppliers, lots, what was measured of a lot, and the ledger of its stock. Masses in kg."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.files.models import StoredFile
from lims.materials.kinds import caution_keys
from lims.materials.states import LotState


def mass_field(**kwargs: object) -> models.DecimalField:  # type: ignore[type-arg]
    """A mass in kg, exact to the microgram."""
    return models.DecimalField(max_digits=14, decimal_places=9, **kwargs)  # type: ignore[arg-type]


@tracked
class Supplier(Recorded):
    """Somebody who delivers materials; approved by quality, with a day on which that is looked at again."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    approved = models.BooleanField(default=False)
    evaluated_on = models.DateField(null=True, blank=True)
    evaluate_again_on = models.DateField(null=True, blank=True)
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "supplier"
        verbose_name_plural = "suppliers"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name


@tracked
class Material(Recorded):
    """What is bought or made as an ingredient: a filler, a fluid, an additive, an alloy, a sheet."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    kind = models.CharField(max_length=30)
    density = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="kg/m3")
    density_u = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    conductivity = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="W/(m K)")
    conductivity_u = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    conductivity_source = models.CharField(max_length=200, blank=True)
    shape = models.CharField("particle shape", max_length=60, blank=True)
    hazards = models.JSONField(default=list, blank=True, help_text="Codes and texts from the safety data sheet.")
    hazards_source = models.CharField(max_length=200, blank=True)
    incompatible = models.ManyToManyField("self", blank=True, symmetrical=True)
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "material"
        verbose_name_plural = "materials"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name

    @property
    def caution_keys(self) -> list[str]:
        """The cautions shown wherever this material is handled."""
        return caution_keys(kind=self.kind, name=self.name)

    @property
    def hazard_texts(self) -> list[str]:
        """Hazard codes and texts as one line each, as they stand on a label."""
        return [" ".join(filter(None, (h.get("code", ""), h.get("text", "")))) for h in self.hazards]


@tracked
class Lot(Recorded):
    """One delivery, or one treated, split or blended quantity, of a material."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    material = models.ForeignKey(Material, models.PROTECT, related_name="lots")
    supplier = models.ForeignKey(Supplier, models.PROTECT, null=True, blank=True, related_name="lots")
    supplier_lot = models.CharField("supplier's lot number", max_length=80)
    state = models.CharField(max_length=12, choices=LotState.choices, default=LotState.QUARANTINE)
    received_on = models.DateField()
    received_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    containers = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1)])
    storage = models.CharField("storage condition", max_length=120)
    location = models.CharField(max_length=120)
    retest_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    opened_on = models.DateField("first opened on", null=True, blank=True)
    in_use_days = models.PositiveSmallIntegerField("days in use after opening", null=True, blank=True)
    certificate = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
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
                condition=Q(expires_on__isnull=True) | Q(expires_on__gte=F("received_on") - timedelta(days=3650)),
                name="lot_expiry_sane",
            ),
        )
        indexes = (
            models.Index(fields=["state", "material"], name="lot_state_material"),
            models.Index(fields=["supplier_lot"], name="lot_supplier_lot"),
        )

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


class StockMove(models.Model):
    """One row of a lot's ledger; on hand is the sum of its rows."""

    class Kind(models.TextChoices):
        RECEIPT = "receipt"
        WEIGHING = "weighing"
        SAMPLE = "sample"
        LOSS = "loss"
        ADJUSTMENT = "adjustment"
        RETURN = "return"

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="moves")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    mass = mass_field(help_text="kg, negative when stock goes out")
    cause = models.CharField(max_length=60, blank=True, help_text="Code of what it went into.")
    reason = models.CharField(max_length=400, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "stock move"
        verbose_name_plural = "stock moves"
        ordering = ("id",)
        triggers = (APPEND_ONLY,)
        constraints = (models.CheckConstraint(condition=~Q(mass=Decimal(0)), name="stock_move_not_zero"),)

    def __str__(self) -> str:
        return f"{self.lot_id} {self.mass:+} kg"

    record_kind = "stock move"
    CONFIDENTIAL: frozenset[str] = frozenset()

    @property
    def record_code(self) -> str:
        return self.lot.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("lot", self.lot.code)
