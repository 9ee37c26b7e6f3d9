"""The ledger of a lot's stock, and what of it is kept for planned batches. Masses in kg."""

from __future__ import annotations

from decimal import Decimal

import pgtrigger
from django.db import models
from django.db.models import Q

from lims.audit.models import APPEND_ONLY
from lims.materials.models.parts import Written


def mass_field(**kwargs: object) -> models.DecimalField:  # type: ignore[type-arg]
    """A mass in kg, exact to the microgram."""
    return models.DecimalField(max_digits=14, decimal_places=9, **kwargs)  # type: ignore[arg-type]


def _never_below_nought(table: str, what: str, *, same: str) -> pgtrigger.Trigger:
    """A trigger: the sum of a lot's rows cannot fall below nought, whoever writes them."""
    return pgtrigger.Trigger(
        name="never_below_nought",
        when=pgtrigger.Before,
        operation=pgtrigger.Insert,
        condition=pgtrigger.Q(new__mass__lt=0),
        func=(
            "PERFORM 1 FROM materials_lot WHERE id = NEW.lot_id FOR UPDATE;"
            f" IF (SELECT COALESCE(SUM(mass), 0) FROM {table} WHERE {same}) + NEW.mass < 0 THEN"
            f" RAISE EXCEPTION '{what}' USING ERRCODE = 'check_violation'; END IF; RETURN NEW;"
        ),
    )


class StockMove(Written):
    """One row of a lot's ledger; on hand is the sum of its rows."""

    class Kind(models.TextChoices):
        RECEIPT = "receipt"
        WEIGHING = "weighing"
        SAMPLE = "sample"
        SPLIT = "split"
        BLEND = "blend"
        TREATMENT = "treatment"
        LOSS = "loss"
        ADJUSTMENT = "adjustment"
        RETURN = "return"

    lot = models.ForeignKey("materials.Lot", models.PROTECT, related_name="moves")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    mass = mass_field(help_text="kg, negative when stock goes out")
    cause = models.CharField(max_length=60, blank=True, help_text="Code of what it went into.")
    reason = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "stock move"
        verbose_name_plural = "stock moves"
        ordering = ("id",)
        triggers = (
            APPEND_ONLY,
            _never_below_nought("materials_stockmove", "a lot has less than that", same="lot_id = NEW.lot_id"),
        )
        constraints = (models.CheckConstraint(condition=~Q(mass=Decimal(0)), name="stock_move_not_zero"),)

    def __str__(self) -> str:
        return f"{self.lot_id} {self.mass:+} kg"


class Reservation(Written):
    """One row of what is kept of a lot for a planned batch: reserved, taken, given back; the sum is kept."""

    lot = models.ForeignKey("materials.Lot", models.PROTECT, related_name="reservations")
    cause = models.CharField(max_length=60, help_text="Code of the batch it is kept for.")
    mass = mass_field(help_text="kg, negative when it is taken or given back")
    reason = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "reservation"
        verbose_name_plural = "reservations"
        ordering = ("id",)
        triggers = (
            APPEND_ONLY,
            _never_below_nought(
                "materials_reservation",
                "less than that is reserved",
                same="lot_id = NEW.lot_id AND cause = NEW.cause",
            ),
        )
        constraints = (models.CheckConstraint(condition=~Q(mass=Decimal(0)), name="reservation_not_zero"),)
        indexes = (models.Index(fields=["cause"], name="reservation_cause"),)

    def __str__(self) -> str:
        return f"{self.lot_id} {self.mass:+} kg for {self.cause}"
